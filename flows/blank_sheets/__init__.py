"""What a site may start from: an empty season sheet, and a form for the clipboard.

Both are drawn from one list of columns (:mod:`flows.blank_sheets.columns`), which comes
from the dictionary, the protocol and the site's own units. Nobody has to use them.
"""

from flows.blank_sheets.field_form import write_field_form
from flows.blank_sheets.handing_out import hand_out
from flows.blank_sheets.season_sheet import write_season_sheet

__all__ = ["hand_out", "write_field_form", "write_season_sheet"]
