"""What is held against a site comes back as it was found."""

from __future__ import annotations

from shared.flags import Effect
from shared.problems import Trouble
from tests.warehouse.by_hand import AS_OF, ELVER, Rule, days, load, network, send
from warehouse.held import file_troubles, site_account, site_findings
from warehouse.lineage import lay_out
from warehouse.receipts import receive
from warehouse.staging import reader_key, save_trouble
from warehouse.store import Warehouse


def test_findings_come_back_equal_and_in_order(wh: Warehouse) -> None:
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 4))
    rules = (Rule("day(local_date) = 3", "count", Effect.HOLD, "count-negative", *ELVER),
             Rule("day(local_date) = 1", "ph", Effect.NOTE))
    load(wh, "alder", *rules)
    lay_out(wh, "alder")
    found = site_findings(wh, "alder")
    assert found == [one for rule in rules for one in rule.judge(wh, "alder")]
    assert len(found) == 2 and site_findings(wh, "birch") == []


def test_the_account_is_that_of_the_last_load(wh: Warehouse) -> None:
    assert set(site_account(wh, "alder").values()) == {0}
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 4))
    load(wh, "alder", Rule("day(local_date) = 3", "count", Effect.HOLD))
    assert site_account(wh, "alder") == {
        "rows": 4, "clean": 3, "masked": 0, "queried": 0, "held": 1, "skipped": 1}


def test_troubles_are_of_files_that_stand(wh: Warehouse) -> None:
    broken = receive(wh, "alder", "alder/a.xlsx", b"half", AS_OF)
    save_trouble(wh, "alder", broken.sha256, Trouble("file-unreadable", "No.", "Again."),
                 reader_key("1", network(), "alder"))
    assert file_troubles(wh, "alder") == [
        Trouble("file-unreadable", "No.", "Again.", "a.xlsx")]
    send(wh, "alder", "alder/a.xlsx", days("2026-03-01", 4))
    assert file_troubles(wh, "alder") == []
