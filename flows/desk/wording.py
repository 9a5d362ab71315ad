"""Words and shapes that the pages share."""

from __future__ import annotations

REFUSALS: dict[int, tuple[str, str, str]] = {
    401: ("Your private link opens this", "Nobody is signed in on this device, or the day's "
          "session is over.", "Open the private link that your coordinator gave you."),
    403: ("This is not yours to open", "Your link does not open this page, or the form was too "
          "old.", "Go back to your own page and try from there."),
    404: ("There is nothing here", "No page has this address.", "Go back to your own page."),
    405: ("That did not work", "The page does not take this.", "Go back to your own page."),
    408: ("It took too long to arrive", "The line broke off before the sheet was here.",
          "Nothing was changed. Try again where the line is better."),
    413: ("This is larger than the desk takes", "A sheet may weigh 20 MB.",
          "Send the season's sheet alone, without pictures in it."),
    429: ("A little slower, please", "Too much came from you at once.",
          "Wait half a minute and try again. Nothing is lost."),
}

SHAPES = {"hold": "■", "mask": "◩", "query": "?", "note": "·"}
"""A shape beside each effect's word: nothing is told by colour alone."""

ANSWERS = {
    "suggestion": "Use the suggestion",
    "right": "It is right as written",
    "mine": "Use this value",
    "strike": "Strike the row",
    "later": "Later",
}

SAID = {
    "suggestion": "use the suggestion", "right": "right as written", "mine": "use",
    "strike": "strike the row",
}

OUTCOMES = {
    "applied": "✓ used", "already": "✓ was so already", "refused": "✗ not used",
    "conflict": "✗ overtaken", "unclear": "? not understood",
}
"""What came of an answer, by word and shape."""

LINK_STATES = {"open": "○ open", "ended": "× ended", "taken back": "× taken back"}
