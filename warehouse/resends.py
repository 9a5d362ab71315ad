"""What a site mended in its own sheet: recorded as its corrections, and laid over nothing.

A question that was open, and is not raised any more by the sheet sent since, was answered
there: by a changed value, or by taking the row out.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from shared.decisions import Action, Channel, Decision
from shared.fields import FIELDS, Level
from shared.findings import Finding
from shared.flags import Effect
from shared.settings import Network
from warehouse import decisions, record
from warehouse.store import Warehouse


def note_resent(
    warehouse: Warehouse, network: Network, site_id: str, before: Sequence[Finding],
    after: Sequence[Finding], as_of: dt.date,
) -> list[Decision]:
    """Record what closed findings of ``before`` that are not open in ``after``.

    Needs the rows laid out by :func:`warehouse.lineage.lay_out` for ``after``, and the
    staged rows of the files that ``before`` speaks of. Only rows that stand in another file
    than before are looked at: the site sent nothing new about the others.
    """
    still = {finding.id for finding in after if finding.effect is not Effect.NOTE}
    closed = [finding for finding in before if finding.id not in still and finding.row_id]
    made: list[Decision] = []
    if closed:
        here = _rows_now(warehouse, closed)
        for finding in closed:
            now = here.get(int(finding.row_id or 0))
            if now is None or now[1] == finding.file_sha256:
                continue
            found = _changed(warehouse, network, finding, now[0], as_of)
            if found is not None and not any(found.says_the_same(other) for other in made):
                made.append(found)
    for event, in warehouse.connection.execute(
        "SELECT event_id FROM judged_departed WHERE NOT noted AND site = ? ORDER BY event_id",
        [site_id]
    ).fetchall():
        made.append(Decision(
            site_id, str(event), Action.WITHDRAW, reason="held, and gone from the sheet sent since",
            who=site_id, channel=Channel.RESEND, decided=as_of))
    if made:
        # A run that was cut off may have come as far as the record, and no further.
        noted = _since_loaded(warehouse, site_id)
        made = [item for item in made if not any(item.says_the_same(each) for each in noted)]
    return decisions.append(warehouse, made) if made else []


def _since_loaded(warehouse: Warehouse, site_id: str) -> list[Decision]:
    """What was noted of resends since the site was loaded last, the day of that included."""
    record.catch_up(warehouse)
    found = warehouse.connection.execute(
        "SELECT max(loaded) FROM site_state WHERE site = ?", [site_id]).fetchone()
    loaded = found[0] if found else None
    return [item for item in decisions.of_site(warehouse, site_id)
            if item.channel is Channel.RESEND and (loaded is None or item.decided >= loaded)]


def _rows_now(warehouse: Warehouse, closed: Sequence[Finding]) -> dict[int, tuple[int, str]]:
    """Row of a finding -> the row that stands for it in the sheets now, and its file."""
    rows = warehouse.connection.execute(
        """
        WITH asked AS (SELECT unnest($rows) AS row_id),
        was AS (
            SELECT DISTINCT a.row_id, coalesce(m.becomes, e.event_id) AS event_id,
                   m.row_id AS undated, e.protocol, e.content
            FROM asked AS a JOIN staged_events AS e USING (row_id)
            LEFT JOIN judged_moved AS m ON m.event_id = e.event_id)
        SELECT was.row_id, min_by(e.row_id, (e.content IS DISTINCT FROM was.content, e.row_id)),
               min_by(e.file_sha256, (e.content IS DISTINCT FROM was.content, e.row_id))
        FROM was JOIN staged_events AS e ON e.event_id = was.event_id OR e.row_id = was.undated
        JOIN judged_files AS f ON f.sha256 = e.file_sha256 AND f.current
        WHERE e.site = (SELECT any_value(site) FROM judged_files)
        GROUP BY was.row_id
        """, {"rows": sorted({int(item.row_id or 0) for item in closed})}).fetchall()
    return {int(row[0]): (int(row[1]), str(row[2])) for row in rows}


def _changed(
    warehouse: Warehouse, network: Network, finding: Finding, row_id: int, as_of: dt.date
) -> Decision | None:
    """The correction that the new row makes of the finding's value, None when there is none."""
    site = finding.site
    old, new = (decisions.staged_row(warehouse, site, each)
                for each in (int(finding.row_id or 0), row_id))
    if old is None or new is None or finding.field not in FIELDS:
        return None
    names = [finding.field]
    if finding.field in decisions.CLOCK:
        # One slip is asked about at one of the cells it touches; any of them may be mended.
        names += sorted(decisions.CLOCK - {finding.field})
    for name in names:
        had = finding.catch_id
        if FIELDS[name].level is Level.CATCH:
            a, copy = old.catch_at(name, had, finding.taxon, finding.life_stage)
            b, _ = new.catch_at(name, None, a.values["taxon"] or "" if a else "",
                                a.values["life_stage"] or "" if a else "")
            if a is None or b is None:
                continue
        else:
            a, b, copy = None, None, 1
        said, says = old.says(name, a), new.says(name, b)
        if said == says:
            continue
        moved = "" if old.event_id == new.event_id else new.event_id or ""
        return Decision(
            site, decisions.anchor_of(old, decisions.short_of(old)), Action.CORRECT, name,
            (a.values["taxon"] or "") if a else "", (a.values["life_stage"] or "") if a else "",
            said, says, moved, copy, "changed in the sheet sent since", site, Channel.RESEND,
            as_of, finding.rule, "")
    return None

