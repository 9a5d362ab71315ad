"""The gate's findings as one HTML page that needs nothing from elsewhere.

Great Expectations' own Data Docs load style sheets and scripts from nine other hosts and are
bare without them; a coordinator's machine may be offline, so the page is ours over its results.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from html import escape
from itertools import groupby

from checks.gate import Outcome

_STYLE = """
body { font: 16px/1.5 system-ui, sans-serif; margin: 2rem auto; max-width: 60rem;
       padding: 0 1rem; color: #1b1b1b; background: #fff }
h1 { font-size: 1.5rem } h2 { font-size: 1.15rem; margin-top: 2rem }
table { border-collapse: collapse; width: 100% }
th, td { text-align: left; vertical-align: top; padding: .3rem .6rem;
         border-bottom: 1px solid #ccc }
td.number { text-align: right } .broken { color: #9b1c1c; font-weight: 600 }
code { font-size: .9em; overflow-wrap: anywhere }
"""


def page(network: str, version: str, outcomes: Sequence[Outcome]) -> str:
    """The page: the verdict, what is broken with its rows, then every expectation by table."""
    broken = [outcome for outcome in outcomes if not outcome.held]
    verdict = (
        f"All {len(outcomes)} expectations hold. The release may be published."
        if not broken else
        f"{len(broken)} of {len(outcomes)} expectations do not hold. The release was not "
        "published; the last one stands.")
    parts = [
        "<!doctype html>", '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width">',
        f"<title>Gate of {escape(network)}, release {escape(version)}</title>",
        f"<style>{_STYLE}</style></head><body>",
        f"<h1>{escape(network)}, release {escape(version)}: the gate</h1>",
        f"<p{' class=broken' if broken else ''}>{escape(verdict)}</p>",
    ]
    if broken:
        parts.append("<h2>What does not hold</h2><ul>")
        parts += [f"<li><b>{escape(o.expectation.id)}</b>: {escape(o.expectation.says)}. "
                  f"<code>{escape('; '.join(o.rows))}</code></li>" for o in broken]
        parts.append("</ul>")
    for table, found in groupby(outcomes, key=lambda outcome: outcome.table):
        lines = list(found)
        parts.append(f"<h2>{escape(table)} ({lines[0].looked_at} rows looked at)</h2>"
                     "<table><tr><th>expectation</th><th>column</th><th>what is asked</th>"
                     "<th>rows that break it</th><th>verdict</th></tr>")
        for o in lines:
            told = "holds" if o.held else '<span class="broken">broken</span>'
            parts.append(
                f"<tr><td>{escape(o.expectation.id)}</td><td>{escape(o.expectation.column)}</td>"
                f"<td><code>{escape(_asked(o))}</code></td>"
                f'<td class="number">{o.broken}</td><td>{told}</td></tr>')
        parts.append("</table>")
    return "\n".join([*parts, "</body></html>"]) + "\n"


def _asked(outcome: Outcome) -> str:
    expectation = outcome.expectation
    if expectation.kind == "unique":
        return "unique"
    if expectation.kind == "between":
        low, high = expectation.asks.get("min_value"), expectation.asks.get("max_value")
        above = "above" if expectation.asks.get("strict_min") else "from"
        return f"{above} {low:,}" + ("" if high is None else f" to {high:,}")
    if expectation.asks["value_set"] in ([True], [False]):
        return "yes" if expectation.asks["value_set"] == [True] else "no"
    values = [str(value) for value in expectation.asks["value_set"]]
    more = len(values) - 8
    return "one of " + ", ".join(values[:8]) + (f" and {more} more" if more > 0 else "")


def record(version: str, outcomes: Sequence[Outcome]) -> str:
    """The same as JSON."""
    return json.dumps({
        "release": version,
        "held": all(outcome.held for outcome in outcomes),
        "expectations": [
            {"id": o.expectation.id, "table": o.table, "column": o.expectation.column,
             "held": o.held, "looked_at": o.looked_at, "broken": o.broken, "rows": list(o.rows)}
            for o in outcomes
        ],
    }, ensure_ascii=False, indent=2) + "\n"
