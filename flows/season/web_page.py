"""A report as one HTML file that needs nothing else: styles, figures and numbers inside."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING

from flows.season.document import Document
from flows.season.drawing import Figure, as_svg

if TYPE_CHECKING:
    from markupsafe import Markup


def as_html(document: Document) -> str:
    """The whole page."""
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    def svg(figure: Figure) -> Markup:
        return Markup(as_svg(figure, alone=False))  # made and escaped by us

    pages = Environment(
        loader=PackageLoader("flows.season"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True)
    return pages.get_template("report.html.j2").render(
        document=document, svg=svg, data_link=_data_link)


def _data_link(figure: Figure) -> str:
    content = base64.b64encode(figure.as_csv().encode("utf-8")).decode("ascii")
    return f"data:text/csv;charset=utf-8;base64,{content}"
