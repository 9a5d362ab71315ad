"""A site lead's pages: what is open, what arrived, what loaded; send a sheet, answer."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

from starlette.exceptions import HTTPException
from starlette.responses import Response

from flows.answers import pending
from flows.desk import pictures, season_picture
from flows.desk.links import Role
from flows.desk.places import desk_folder
from flows.desk.uploads import LATER, NotTaken, OnTray, checked_answer, put_answer
from flows.desk.visits import Page, Visit, back_to
from flows.presenting import weeks_overdue
from shared.decisions import Action
from warehouse import durable

_FIRST = 6
"""Questions on the first page: it stays small on a slow line."""
_A_PAGE = 25


def home(visit: Visit) -> Response:
    """The three things that matter, and the way to send a sheet."""
    asks = _asks(visit)
    open_asks = [ask for ask in asks if not ask["told"] and not ask["later"]]
    return visit.page(
        "site.html", site=visit.network.sites[visit.site], picture=_picture(visit),
        asks=[*open_asks[:_FIRST], *(ask for ask in asks if ask["told"])][:2 * _FIRST],
        open=len(open_asks), later=sum(ask["later"] for ask in asks if not ask["told"]),
        first=_FIRST, told=_told_of_others(visit, asks), tray=visit.desk.tray.waiting(visit.site),
        late=_late(visit), drawing=season_picture.of_site(visit.desk.network_dir, visit.network,
                                                          visit.site),
        sent=visit.asked("sent"))


def questions(visit: Visit) -> Response:
    """Every open question, worst first."""
    asks = _asks(visit)
    number = visit.asked("page")
    page = max(1, int(number)) if number.isdigit() and len(number) < 5 else 1
    pages = max(1, -(-len(asks) // _A_PAGE))
    page = min(page, pages)
    return visit.page("questions.html", site=visit.network.sites[visit.site],
                      asks=asks[(page - 1) * _A_PAGE: page * _A_PAGE], at=page, pages=pages,
                      number=len(asks))


def arrived(visit: Visit) -> Response:
    """Everything that came, and what came of every answer."""
    return visit.page("arrived.html", site=visit.network.sites[visit.site],
                      picture=_picture(visit))


def answer(visit: Visit) -> Response:
    """Keep an answer to an open question for the next run."""
    ask = _ask(visit, visit.said("ask"))
    choice = visit.said("choice")
    back = back_to(f"{_page_before(visit)}#q-{ask['id']}")
    if choice == LATER:
        _put_later(visit, ask["id"])
        visit.note("left for later", ask=ask["id"])
        return back
    said = checked_answer(ask, choice, visit.said("value"), visit.said("note"))
    # An answer that still waits is replaced: the last one counts.
    _take_back(visit, ask["id"])
    put_answer(visit.desk.network_dir, visit.site, ask["id"], said, visit.who,
               tuple(ask["findings"]))
    visit.note("answered", ask=ask["id"], **said)
    return back


def take_back(visit: Visit) -> Response:
    """Take back an answer that no run has looked at yet."""
    ask = visit.said("ask")
    if _take_back(visit, ask):
        visit.note("took an answer back", ask=ask)
    if ask in _later(visit):
        _put_later(visit, ask, take=True)
    return back_to(_page_before(visit))


def put_sheet(visit: Visit) -> Response:
    """Put a sheet down and go through it; nothing is sent in yet."""
    if not visit.file_name and not visit.content:
        raise NotTaken("No file was chosen.", "Choose the sheet first, then press the button.")
    item = visit.desk.tray.put(visit.site, visit.file_name, visit.content,
                               visit.desk.today(), visit.now)
    visit.note("put a sheet on the desk", name=item.name, sha256=item.sha256)
    return back_to(f"/site/{visit.site}/sheet/{item.token}")


def sheet(visit: Visit) -> Response:
    """What was understood of a sheet and what is odd in it, before it is sent in."""
    item = _item(visit)
    return visit.page("sheet.html", site=visit.network.sites[visit.site], item=item,
                      asks=[ask | {"told": _told_on_tray(item, ask["id"]), "later": False}
                            for ask in item.found.get("asks", ())])


def look_again(visit: Visit) -> Response:
    """Go through a sheet once more that is not sent in yet."""
    item = _item(visit)
    visit.desk.tray.look_again(visit.site, item.token, visit.desk.today())
    return back_to(f"/site/{visit.site}/sheet/{item.token}")


def answer_sheet(visit: Visit) -> Response:
    """Note an answer to a question about a sheet that is not sent in yet."""
    item = _item(visit)
    visit.desk.tray.answer(visit.site, item.token, visit.said("ask"), visit.said("choice"),
                           visit.said("value"), visit.said("note"))
    return back_to(f"/site/{visit.site}/sheet/{item.token}#q-{visit.said('ask')}")


def send_sheet(visit: Visit) -> Response:
    """Send a sheet in, with its answers."""
    item, path = visit.desk.tray.send_in(visit.site, _item(visit).token, visit.who)
    visit.note("sent a sheet in", path=path, sha256=item.sha256, answers=len(item.answers))
    return back_to(f"/site/{visit.site}?sent=1")


def drop_sheet(visit: Visit) -> Response:
    """Take a sheet away that was not sent in."""
    item = _item(visit)
    visit.desk.tray.drop(visit.site, item.token)
    visit.note("took a sheet away", name=item.name, sha256=item.sha256)
    return back_to(f"/site/{visit.site}")


_LEAD = frozenset({Role.LEAD, Role.COORDINATOR})
PAGES = (
    Page("/site/{site}", "GET", _LEAD, home, "look"),
    Page("/site/{site}/questions", "GET", _LEAD, questions, "look"),
    Page("/site/{site}/arrived", "GET", _LEAD, arrived, "look"),
    Page("/site/{site}/answer", "POST", _LEAD, answer, "change"),
    Page("/site/{site}/take-back", "POST", _LEAD, take_back, "change"),
    Page("/site/{site}/sheet", "POST", _LEAD, put_sheet, "upload", slow=True),
    Page("/site/{site}/sheet/{token}", "GET", _LEAD, sheet, "look"),
    Page("/site/{site}/sheet/{token}/answer", "POST", _LEAD, answer_sheet, "change"),
    Page("/site/{site}/sheet/{token}/look", "POST", _LEAD, look_again, "upload", slow=True),
    Page("/site/{site}/sheet/{token}/send", "POST", _LEAD, send_sheet, "change"),
    Page("/site/{site}/sheet/{token}/drop", "POST", _LEAD, drop_sheet, "change"),
)


def _picture(visit: Visit) -> dict[str, Any]:
    return pictures.picture_of(visit.desk.network_dir, visit.site) or {
        "as_of": "", "asks": [], "files": [], "answers": [], "troubles": [], "weeks": {},
        "account": {}, "aside": []}


def _asks(visit: Visit) -> list[dict[str, Any]]:
    """Open questions, those left for later last, each with the answer that waits for it."""
    told = {item.answer.about: item for item in
            pending.waiting(visit.desk.network_dir, visit.site)}
    later = _later(visit)
    asks = [ask | {"told": _words(told[ask["id"]].answer) if ask["id"] in told else "",
                   "later": ask["id"] in later} for ask in _picture(visit)["asks"]]
    return sorted(asks, key=lambda ask: bool(ask["later"]))


def _ask(visit: Visit, ask_id: str) -> dict[str, Any]:
    found = next((ask for ask in _asks(visit) if ask["id"] == ask_id), None)
    if found is None:
        raise NotTaken("The question is no longer open.", "Look at the page again.")
    return found


def _words(said: Any) -> str:
    """An answer that waits, in words."""
    words = {Action.CONFIRM: "right as written", Action.WITHDRAW: "strike the row"}
    text = words.get(said.action) or (
        f"use {said.value}" if said.value is not None else "use the suggestion")
    return f"{text} ({said.note})" if said.note else text


def _told_on_tray(item: OnTray, ask: str) -> str:
    said = item.answers.get(ask)
    if said is None:
        return ""
    words = {"right": "right as written", "strike": "strike the row",
             "suggestion": "use the suggestion", "mine": f"use {said['value']}"}[said["choice"]]
    return f"{words} ({said['note']})" if said["note"] else words


def _told_of_others(visit: Visit, asks: list[dict[str, Any]]) -> int:
    """Answers that wait with a sheet no run has seen yet."""
    known = {ask["id"] for ask in asks}
    return sum(item.answer.about not in known
               for item in pending.waiting(visit.desk.network_dir, visit.site))


def _take_back(visit: Visit, ask: str) -> bool:
    mine = [item for item in pending.waiting(visit.desk.network_dir, visit.site)
            if item.answer.about == ask]
    pending.settled(visit.desk.network_dir, mine)
    return bool(mine)


def _later_path(visit: Visit) -> Any:
    return desk_folder(visit.desk.network_dir) / "later" / f"{visit.site}.json"


def _later(visit: Visit) -> list[str]:
    try:
        return list(json.loads(_later_path(visit).read_text(encoding="utf-8")))
    except (OSError, ValueError):
        return []


def _put_later(visit: Visit, ask: str, take: bool = False) -> None:
    open_now = {entry["id"] for entry in _picture(visit)["asks"]}
    left = [item for item in _later(visit) if item in open_now and item != ask]
    durable.write_text(_later_path(visit), json.dumps([*left, *([] if take else [ask])]))


def _late(visit: Visit) -> int:
    files = _picture(visit)["files"]
    today = visit.desk.today()
    last = max((dt.date.fromisoformat(entry["received"]) for entry in files), default=None)
    return weeks_overdue(last, today, visit.network.season_span(visit.network.season_of(today)))


def _page_before(visit: Visit) -> str:
    """The page that the form stood on: one of two, never what a request says."""
    listed = visit.said("from").startswith("questions")
    if not listed:
        return f"/site/{visit.site}"
    number = visit.said("from").removeprefix("questions-")
    return f"/site/{visit.site}/questions" + (f"?page={number}" if number.isdigit() else "")


def _item(visit: Visit) -> OnTray:
    item = visit.desk.tray.get(visit.site, visit.request.path_params["token"])
    if item is None:
        raise HTTPException(404)
    return item
