"""The coordinator's pages: the week, the queue, decisions, the release, links, settings."""

from __future__ import annotations

import csv
import datetime as dt
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from starlette.exceptions import HTTPException
from starlette.responses import Response

from checks.catalogue import CATALOGUE
from flows.answers import pending
from flows.desk import audit, network_edits, pictures
from flows.desk.errands import ERRANDS
from flows.desk.links import LIFE, Role
from flows.desk.uploads import MOST_NOTE, MOST_VALUE, NotTaken
from flows.desk.visits import Page, Visit, back_to
from flows.door import gate_page_path
from flows.presenting import weeks_overdue
from shared.decisions import Action, Answer, Channel
from shared.fields import FIELDS
from shared.problems import BadSettings, NetworkBusy
from shared.settings import DATE_ORDERS
from warehouse import record
from warehouse.folder import releases_folder
from warehouse.snapshot import latest_version
from warehouse.standing import read_standing

_A_PAGE = 40
_SHOWN = 60
_WEEKS = 20


@dataclass(frozen=True, slots=True)
class _Row:
    """A site's line of the grid."""

    id: str
    name: str
    late: int
    last: str
    asks: int
    held: int
    waiting: int
    troubles: int
    weeks: tuple[dict[str, int], ...]


def week(visit: Visit) -> Response:
    """Site by week: what came, what is held, who is overdue."""
    desk, network = visit.desk, visit.network
    today = desk.today()
    found = {site: pictures.picture_of(desk.network_dir, site) or {} for site in network.sites}
    season = network.season_of(today)
    span = network.season_span(season)
    weeks_seen = {week for picture in found.values() for week in picture.get("weeks", {})}
    mondays = [monday for monday in _mondays(*span) if monday <= today.isoformat()]
    if not any(monday in weeks_seen for monday in mondays):
        # Before the first sheet of a season the last one is still what there is to look at.
        mondays = sorted(weeks_seen)
    mondays = mondays[-_WEEKS:]
    rows = [_row(visit, site, picture, mondays, today) for site, picture in found.items()]
    standing = read_standing(desk.network_dir)
    return visit.page(
        "week.html", rows=rows, mondays=mondays, standing=standing, errand=desk.errands.last(),
        errands=ERRANDS, version=latest_version(desk.network_dir),
        late=sorted((row for row in rows if row.late), key=lambda row: -row.late))


def _row(visit: Visit, site: str, picture: dict[str, Any], mondays: list[str],
         today: dt.date) -> _Row:
    network = visit.network
    last = max((entry["received"] for entry in picture.get("files", ())), default="")
    weeks = picture.get("weeks", {})
    return _Row(
        site, network.sites[site].name,
        weeks_overdue(dt.date.fromisoformat(last) if last else None, today,
                      network.season_span(network.season_of(today))),
        last, len(picture.get("asks", ())), picture.get("account", {}).get("held", 0),
        len(pending.waiting(visit.desk.network_dir, site)), len(picture.get("troubles", ())),
        tuple({"loaded": 0, "held": 0, "came": 0} | weeks.get(monday, {}) for monday in mondays))


def _mondays(opens: dt.date, closes: dt.date) -> list[str]:
    monday = opens - dt.timedelta(days=opens.weekday())
    out = []
    while monday <= closes:
        out.append(monday.isoformat())
        monday += dt.timedelta(days=7)
    return out


def queue(visit: Visit) -> Response:
    """Open questions of all sites, worst first, to decide one or many."""
    site, rule, effect = (visit.asked(name) for name in ("site", "rule", "effect"))
    everything = _queue(visit)
    asks = [ask for ask in everything
            if site in ("", ask["site"]) and rule in ("", ask["rule"])
            and effect in ("", ask["effect"])]
    number = visit.asked("page")
    pages = max(1, -(-len(asks) // _A_PAGE))
    page = min(max(1, int(number) if number.isdigit() and len(number) < 5 else 1), pages)
    return visit.page(
        "queue.html", asks=asks[(page - 1) * _A_PAGE: page * _A_PAGE], number=len(asks),
        at=page, pages=pages, site=site, rule=rule, effect=effect,
        rules=sorted({ask["rule"] for ask in everything}), actions=Action)


def _queue(visit: Visit) -> list[dict[str, Any]]:
    order = {"hold": 0, "mask": 1, "query": 2}
    asks = []
    for site in visit.network.sites:
        told = {item.answer.about for item in pending.waiting(visit.desk.network_dir, site)}
        picture = pictures.picture_of(visit.desk.network_dir, site)
        for ask in picture["asks"] if picture else ():
            asks.append(ask | {"site": site, "told": ask["id"] in told})
    return sorted(asks, key=lambda ask: (order[ask["effect"]], -ask["rows"], ask["site"]))


def decide(visit: Visit) -> Response:
    """First what a decision would change, then (confirmed) the decision itself."""
    from flows.answers.deciding import Wish
    from flows.answers.deciding import decide as carry_out

    picked = {ask["id"]: ask for ask in _queue(visit) if ask["id"] in set(visit.all_said("pick"))}
    event = visit.said("event")[:300]
    if not picked and not event:
        raise NotTaken("Nothing was picked.", "Tick the questions that the decision is about.")
    try:
        action = Action(visit.said("action"))
    except ValueError as error:
        raise NotTaken("It is not said what is decided.", "Choose one of the list.") from error
    reason, value = visit.said("reason")[:MOST_NOTE], visit.said("value")[:MOST_VALUE]
    if not reason:
        raise NotTaken("A decision needs its reason.", "Write it in a few words.")
    field = visit.said("field")
    if field and field not in FIELDS:
        raise NotTaken("There is no such field.", "Choose one of the list.")
    wish = Wish(action, reason, visit.who, (*picked, *((event,) if event else ())),
                field=field or None, value=value or None)
    recording = visit.said("record") == "yes"
    try:
        with visit.desk.deciding:
            done = carry_out(visit.desk.network_dir, visit.network, wish, visit.desk.today(),
                             dry_run=not recording)
    except NetworkBusy:
        if not recording or event:
            raise
        for ask in picked.values():
            pending.put(visit.desk.network_dir, Answer(
                ask["site"], ask["id"], action, value or None, reason, visit.who,
                tuple(ask["findings"])), Channel.COORDINATOR)
        visit.note("left decisions for the run", picked=list(picked), action=action.value,
                   value=value, reason=reason)
        return visit.page("decided.html", done=None, recorded=True, picked=picked, event=event,
                          action=action.value, reason=reason, value=value, field=field,
                          shown=_SHOWN)
    if recording:
        visit.note("decided", picked=list(picked), event=event, action=action.value, value=value,
                   reason=reason, recorded=[item.seq for item in done.recorded])
    return visit.page("decided.html", done=done, recorded=recording, picked=picked, event=event,
                      action=action.value, reason=reason, value=value, field=field, shown=_SHOWN)


def row(visit: Visit) -> Response:
    """The life of a row, from its cell to the releases."""
    from flows.history import life_of

    event = visit.asked("event")[:300]
    if not event:
        return visit.page("row.html", life=None, event="", fields=FIELDS, actions=Action)
    with visit.desk.deciding:
        life = life_of(visit.desk.network_dir, visit.network, event)
    return visit.page("row.html", life=life, event=event, fields=FIELDS, actions=Action)


def columns(visit: Visit) -> Response:
    """Columns that nobody could place, to name or to leave aside for good."""
    aside = {site: picture["aside"] for site in visit.network.sites
             if (picture := pictures.picture_of(visit.desk.network_dir, site))}
    named = {site: visit.network.sites[site].profile.columns for site in aside}
    return visit.page(
        "columns.html", fields=FIELDS, stamp=network_edits.stamp_of(visit.desk.network_dir),
        sites={site: [entry for entry in entries if entry["heading"] not in named[site]]
               for site, entries in aside.items()})


def name_column(visit: Visit) -> Response:
    """Say what a column is."""
    site, heading, meaning = (visit.said(name) for name in ("site", "heading", "meaning"))
    if site not in visit.network.sites or not heading or not meaning:
        raise NotTaken("It is not said which column it is, and what.", "Choose a meaning.")
    changed = network_edits.edit(
        visit.desk.network_dir, visit.said("stamp"),
        network_edits.column_named(site, heading[:200], meaning[:100]))
    if changed:
        visit.note("named a column", of=site, heading=heading, meaning=meaning)
    return back_to("/coordinator/columns")


def release(visit: Visit) -> Response:
    """The latest release, its gate and what changed by it; publish another."""
    directory = visit.desk.network_dir
    version = latest_version(directory)
    gate: dict[str, Any] = {}
    tried = sorted((directory / "warehouse" / "gate").glob("*/gate.json"),
                   key=lambda path: path.stat().st_mtime)
    if tried:
        gate = json.loads(tried[-1].read_text(encoding="utf-8"))
        gate["version"] = tried[-1].parent.name
    since = decided_since(directory, _as_of(directory, version))
    changes = changes_of(directory, version) if version else []
    named = " ".join({line["decision"] for line in changes})  # each ends in a decision's id
    return visit.page("release.html", version=version, gate=gate,
                      since=since[:_SHOWN], more=max(0, len(since) - _SHOWN), named=named,
                      waiting=sum(len(pending.waiting(directory, site))
                                  for site in visit.network.sites),
                      changes=changes[:_SHOWN], number=len(changes),
                      errand=visit.desk.errands.last(), errands=ERRANDS,
                      page_there=bool(gate) and gate_page_path(directory,
                                                               gate["version"]).is_file())


def changes_of(directory: Path, version: str) -> list[dict[str, str]]:
    """Every value that differs from the release before, as ``changes.csv`` has it."""
    try:
        with (releases_folder(directory) / version / "changes.csv").open(
                encoding="utf-8", newline="") as handle:
            return list(csv.DictReader(handle))
    except OSError:
        return []


def _as_of(directory: Path, version: str | None) -> str:
    """The day of a release; the first of days when there is none."""
    try:
        text = (releases_folder(directory) / (version or "") / "manifest.json").read_text(
            encoding="utf-8")
        return str(json.loads(text)["as_of"])
    except (OSError, ValueError, KeyError):
        return ""


def decided_since(directory: Path, day: str) -> list[dict[str, Any]]:
    """Decisions recorded on ``day`` (ISO) or later, newest first, as the record has them.

    Read from the record itself: a run may hold the database, and this waits for nobody.
    """
    return [line for line in reversed(record.read(directory)["decision"])
            if line["decided"] >= day]


def errand(visit: Visit) -> Response:
    """Send for a weekly run or a release."""
    what = visit.said("what")
    if what not in ERRANDS:
        raise NotTaken("It is not said what to do.", "Press one of the buttons.")
    visit.desk.errands.send(what, visit.who, visit.now)
    visit.note("sent for " + ERRANDS[what])
    return back_to("/coordinator/release" if what == "release" else "/coordinator")


def links(visit: Visit) -> Response:
    """Every link: whose, until when, last used."""
    return visit.page("links.html", links=visit.desk.book.all(), now=visit.now, life=LIFE,
                      shown=visit.asked("show"), desk=visit.desk)


def make_link(visit: Visit) -> Response:
    """A new link for a person."""
    try:
        role = Role(visit.said("role"))
    except ValueError as error:
        raise NotTaken("It is not said whose pages it opens.", "Choose one.") from error
    site = visit.said("site") if role is Role.LEAD else ""
    label = " ".join(visit.said("label").split())[:80]
    if role is Role.LEAD and site not in visit.network.sites:
        raise NotTaken("It is not said for which site.", "Choose the site.")
    if not label:
        raise NotTaken("It is not said for whom.", "Write a name; decisions carry it.")
    days = visit.said("days")
    if days and (not days.isdigit() or not 1 <= int(days[:6]) <= 400):
        raise NotTaken("A link lasts from 1 to 400 days.", "Write a whole number.")
    link = visit.desk.book.make(role, site, label, visit.who, visit.now,
                                int(days) if days else None)
    visit.note("made a link", made=link.id, role_of=role.value, of=site, label=label,
               ends=link.ends)
    return back_to(f"/coordinator/links?show={link.id}#l-{link.id}")


def revoke_link(visit: Visit) -> Response:
    """Take a link back, at once."""
    link = visit.desk.book.revoke(visit.said("link"), visit.now)
    if link is None:
        raise HTTPException(404)
    visit.note("took a link back", taken=link.id, label=link.label)
    return back_to("/coordinator/links")


def settings(visit: Visit) -> Response:
    """Sites and rules whose settings can be changed."""
    return visit.page("settings.html", catalogue=CATALOGUE)


def site_settings(visit: Visit) -> Response:
    """The profile of one site."""
    return visit.page("site_settings.html", site=visit.network.sites[visit.site], fields=FIELDS,
                      orders=DATE_ORDERS, stamp=network_edits.stamp_of(visit.desk.network_dir))


def save_site(visit: Visit) -> Response:
    """Save the profile of one site."""
    before = visit.network.sites[visit.site].profile
    units = {field: unit for field in FIELDS if (unit := visit.said(f"unit-{field}"))}
    named = {}
    for number, heading in enumerate(visit.all_said("heading")):
        meanings = visit.all_said("meaning")
        heading, meaning = heading.strip(), meanings[number].strip() if number < len(
            meanings) else ""
        if heading and meaning:
            named[heading[:200]] = meaning[:100]
    order = visit.said("date_order")
    changed = network_edits.edit(
        visit.desk.network_dir, visit.said("stamp"),
        network_edits.site_profile(visit.site, units, named, order))
    if changed:
        visit.note("changed a profile", before={
            "units": dict(before.units), "columns": dict(before.columns),
            "date_order": before.date_order}, after={
                "units": units, "columns": named, "date_order": order or None})
    return back_to(f"/coordinator/settings/site/{visit.site}")


def rule_settings(visit: Visit) -> Response:
    """The thresholds of one rule."""
    rule = CATALOGUE.get(visit.request.path_params["rule"])
    if rule is None:
        raise HTTPException(404)
    return visit.page("rule_settings.html", rule=rule,
                      own=visit.network.thresholds.get(rule.id, {}),
                      stamp=network_edits.stamp_of(visit.desk.network_dir))


def save_rule(visit: Visit) -> Response:
    """Save the thresholds of one rule."""
    rule = CATALOGUE.get(visit.request.path_params["rule"])
    if rule is None:
        raise HTTPException(404)
    values: dict[str, float] = {}
    for name, threshold in rule.thresholds.items():
        text = visit.said(f"t-{name}")
        try:
            values[name] = float(text) if text else threshold.default
        except ValueError as error:
            raise BadSettings(f'{name}: "{text}" is no number.', "Write a number.") from error
        if values[name] != values[name] or abs(values[name]) == float("inf"):
            raise BadSettings(f'{name}: "{text}" is no number.', "Write a number.")
    before = dict(visit.network.thresholds.get(rule.id, {}))
    changed = network_edits.edit(visit.desk.network_dir, visit.said("stamp"),
                                 network_edits.thresholds(rule.id, values))
    if changed:
        visit.note("changed thresholds", rule=rule.id, before=before, after=values)
    return back_to(f"/coordinator/settings/rule/{rule.id}")


def changes_made(visit: Visit) -> Response:
    """Every change made through the pages: who, when, what."""
    return visit.page("audit.html", lines=audit.newest(visit.desk.network_dir))


_ONLY = frozenset({Role.COORDINATOR})
PAGES = (
    Page("/coordinator", "GET", _ONLY, week, "look"),
    Page("/coordinator/queue", "GET", _ONLY, queue, "look"),
    Page("/coordinator/decide", "POST", _ONLY, decide, "change", slow=True),
    Page("/coordinator/row", "GET", _ONLY, row, "look", slow=True),
    Page("/coordinator/columns", "GET", _ONLY, columns, "look"),
    Page("/coordinator/columns", "POST", _ONLY, name_column, "change"),
    Page("/coordinator/release", "GET", _ONLY, release, "look"),
    Page("/coordinator/errand", "POST", _ONLY, errand, "change"),
    Page("/coordinator/links", "GET", _ONLY, links, "look"),
    Page("/coordinator/links", "POST", _ONLY, make_link, "change"),
    Page("/coordinator/links/revoke", "POST", _ONLY, revoke_link, "change"),
    Page("/coordinator/settings", "GET", _ONLY, settings, "look"),
    Page("/coordinator/settings/site/{site}", "GET", _ONLY, site_settings, "look"),
    Page("/coordinator/settings/site/{site}", "POST", _ONLY, save_site, "change"),
    Page("/coordinator/settings/rule/{rule}", "GET", _ONLY, rule_settings, "look"),
    Page("/coordinator/settings/rule/{rule}", "POST", _ONLY, save_rule, "change"),
    Page("/coordinator/audit", "GET", _ONLY, changes_made, "look"),
)
