"""A file of one site that lies in another's folder, too: it becomes no second record."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

from flows.rebuilding import rebuild
from flows.weekly import Outcome, run_in_order
from shared.settings import Network

from .conftest import AS_OF, published

OWNER, OTHER = "cinderpath-brook", "alder-creek"


def _sheet(bay: Path) -> Path:
    return max((bay / "inbox" / OWNER).glob("*.csv"))


def _put(bay: Path, name: str) -> Path:
    place = bay / "inbox" / OTHER / name
    shutil.copyfile(_sheet(bay), place)
    return place


def _counts(bay: Path) -> list[dict[str, str]]:
    lines = published(bay)["counts.csv"].decode("utf-8").splitlines()
    return [{name: text for name, text in row.items() if name != "release_version"}
            for row in csv.DictReader(lines)]


def _told(outcome: Outcome, site: str) -> list[str]:
    return list(outcome.standing["sites"][site]["troubles"])


def test_the_copy_is_refused_and_changes_nothing_else(ran: Path, network: Network) -> None:
    before = _counts(ran)
    place = _put(ran, _sheet(ran).name)
    outcome = run_in_order(ran, network, AS_OF)
    (told,) = _told(outcome, OTHER)
    assert told.startswith(f"{place.name}: This is, to the byte, a file that Cinderpath")
    assert _told(outcome, OWNER) == []
    assert _counts(ran) == before
    assert not rebuild(ran, network).differ


def test_it_may_come_before_its_owners(
    bay: Path, network: Network, undisturbed: Path
) -> None:
    alone = _counts(undisturbed)
    theirs = _sheet(bay)
    content = theirs.read_bytes()
    _put(bay, theirs.name)
    theirs.unlink()
    assert _told(run_in_order(bay, network, AS_OF), OTHER) == []
    theirs.write_bytes(content)
    outcome = run_in_order(bay, network, AS_OF)
    assert len(_told(outcome, OTHER)) == 1
    assert _counts(bay) == alone


def test_what_its_name_does_not_tell_the_sheets_before_it_tell(
    bay: Path, network: Network
) -> None:
    theirs = _sheet(bay)
    kept = theirs.read_bytes().splitlines(keepends=True)
    plain = theirs.with_name("counts.csv")
    theirs.unlink()
    plain.write_bytes(b"".join(kept[:-1]))
    run_in_order(bay, network, AS_OF)
    plain.write_bytes(b"".join(kept))
    shutil.copyfile(plain, bay / "inbox" / OTHER / plain.name)
    outcome = run_in_order(bay, network, AS_OF)
    assert len(_told(outcome, OTHER)) == 1
    assert _told(outcome, OWNER) == []


def test_a_name_of_its_own_lets_it_in_and_both_are_asked(bay: Path, network: Network) -> None:
    place = _put(bay, _sheet(bay).name)
    assert len(_told(run_in_order(bay, network, AS_OF), OTHER)) == 1
    place.rename(place.with_name("alder as well.csv"))
    outcome = run_in_order(bay, network, AS_OF)
    assert _told(outcome, OTHER) == _told(outcome, OWNER) == []
