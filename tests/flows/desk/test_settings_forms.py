"""network.toml through forms: looked over whole, comments kept, who and when noted."""

from __future__ import annotations

import json
import re
import threading
from pathlib import Path

from flows.desk.desk import Desk
from flows.network_folder import load_network
from shared.settings import Profile
from tests.flows.desk.conftest import MINE, Browser


def stamp(browser: Browser, page: str) -> dict[str, str]:
    """What the forms of a page carry."""
    text = browser.get(page).text
    found = re.search(r'name="stamp" value="([^"]+)"', text)
    assert found is not None
    return {"stamp": found[1], "mark": browser.mark(page)}


def test_a_profile_is_written_back_and_comments_stay(
    bay: Path, coordinator: Browser
) -> None:
    path = bay / "network.toml"
    text = path.read_text(encoding="utf-8").replace(
        f"[sites.{MINE}]", f"# Ours, since the flood.\n[sites.{MINE}]  # the creek")
    path.write_text(text, encoding="utf-8")
    page = f"/coordinator/settings/site/{MINE}"
    coordinator.post(page, data=stamp(coordinator, page) | {
        "date_order": "mdy", "unit-water_temperature": "degF",
        "heading": ["Eels!", ""], "meaning": ["count:anguilla-rostrata:glass eel", ""]})
    after = path.read_text(encoding="utf-8")
    assert "# Ours, since the flood." in after and "# the creek" in after
    profile = load_network(bay).sites[MINE].profile
    assert (profile.date_order, profile.units, profile.columns) == (
        "mdy", {"water_temperature": "degF"}, {"Eels!": "count:anguilla-rostrata:glass eel"})
    line = json.loads((bay / "warehouse" / "desk" / "audit.jsonl").read_text(
        encoding="utf-8").splitlines()[-1])
    assert line["what"] == "changed a profile" and line["after"]["date_order"] == "mdy"
    # What is emptied goes, and the file is as it was.
    coordinator.post(page, data=stamp(coordinator, page) | {"date_order": ""})
    assert load_network(bay).sites[MINE].profile == Profile()


def test_what_cannot_stand_is_refused_and_nothing_written(
    bay: Path, coordinator: Browser
) -> None:
    path = bay / "network.toml"
    before = path.read_bytes()
    page = f"/coordinator/settings/site/{MINE}"
    for told in ({"date_order": "ydm"}, {"heading": "Eels", "meaning": "cuont"},
                 {"unit-water_temperature": "furlong"}):
        answer = coordinator.post(page, data=stamp(coordinator, page) | told)
        assert answer.status_code == 400 and path.read_bytes() == before
    page = "/coordinator/settings/rule/spike"
    name = re.findall(r'name="t-([^"]+)"', coordinator.get(page).text)[0]
    for number in ("many", "nan", "inf"):
        answer = coordinator.post(page, data=stamp(coordinator, page) | {f"t-{name}": number})
        assert answer.status_code == 400 and path.read_bytes() == before


def test_a_threshold_is_set_and_taken_back(bay: Path, coordinator: Browser) -> None:
    page = "/coordinator/settings/rule/spike"
    name = re.findall(r'name="t-([^"]+)"', coordinator.get(page).text)[0]
    coordinator.post(page, data=stamp(coordinator, page) | {f"t-{name}": "7.5"})
    assert load_network(bay).thresholds["spike"] == {name: 7.5}
    coordinator.post(page, data=stamp(coordinator, page) | {f"t-{name}": ""})
    assert "spike" not in load_network(bay).thresholds


def test_the_later_of_two_forms_is_refused(bay: Path, coordinator: Browser) -> None:
    page = f"/coordinator/settings/site/{MINE}"
    carried = stamp(coordinator, page)
    assert coordinator.post(page, data=carried | {"date_order": "mdy"}).status_code == 200
    assert coordinator.post(page, data=carried | {"date_order": "dmy"}).status_code == 400
    assert load_network(bay).sites[MINE].profile.date_order == "mdy"


def test_a_column_that_nobody_could_place_is_named(bay: Path, coordinator: Browser) -> None:
    path = bay / "warehouse" / "desk" / "pictures" / f"{MINE}.json"
    picture = json.loads(path.read_text(encoding="utf-8"))
    picture["aside"] = [{"heading": "G. eels?", "sheet": "1", "cell": "G4", "file": "a.xlsx",
                         "why": "Several meanings fit.", "guesses": [
                             {"field": "count", "meaning": "count:anguilla-rostrata:glass eel"}]}]
    path.write_text(json.dumps(picture), encoding="utf-8")
    page = "/coordinator/columns"
    text = coordinator.get(page).text
    assert "G. eels?" in text and "Several meanings fit." in text
    meaning = re.findall(r'name="meaning" value="(count[^"]+)"', text)[0]
    carried = stamp(coordinator, page) | {"site": MINE, "heading": "G. eels?"}
    assert coordinator.post(page, data=carried | {"meaning": "eels"}).status_code == 400
    coordinator.post(page, data=carried | {"meaning": meaning})
    assert load_network(bay).sites[MINE].profile.columns == {"G. eels?": meaning}
    assert "G. eels?" not in coordinator.get(page).text


def test_an_errand_is_a_command_of_its_own_and_its_end_is_told(
    bay: Path, desk: Desk, coordinator: Browser
) -> None:
    page = "/coordinator/release"
    told = {"mark": coordinator.mark(page), "what": "release"}
    coordinator.post("/coordinator/errand", data=told)
    assert coordinator.post("/coordinator/errand", data=told).status_code == 409
    for thread in threading.enumerate():
        if thread.name == "errand":
            thread.join(120)
    done = desk.errands.last()
    assert done is not None and done.outcome == "done", done
    assert "Nothing has changed since release" in coordinator.get(page).text


def test_links_are_made_shown_and_taken_back(desk: Desk, coordinator: Browser) -> None:
    page = "/coordinator/links"
    shown = coordinator.post(page, data={"mark": coordinator.mark(page), "label": "Kit",
                                         "role": "lead", "site": MINE, "days": "30"})
    found = re.search(r'readonly value="([^"]+)"', shown.text)
    assert found is not None
    from tests.flows.desk.conftest import stranger

    kit = stranger(desk)
    assert kit.get(found[1]).status_code == 200
    link = next(link for link in desk.book.all() if link.label == "Kit")
    assert link.last_used and link.made_by.startswith("Robin")
    coordinator.post(f"{page}/revoke", data={"mark": coordinator.mark(page), "link": link.id})
    assert kit.get(f"/site/{MINE}").status_code == 401
    for told in ({"role": "lead", "site": "nowhere", "label": "x"}, {"role": "king"},
                 {"role": "analyst", "label": ""}, {"role": "analyst", "label": "x",
                                                    "days": "9999"}):
        answer = coordinator.post(page, data={"mark": coordinator.mark(page)} | told)
        assert answer.status_code == 400
