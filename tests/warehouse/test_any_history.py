"""Any history of a sheet: resent, sorted, grown, cut, edited, decided on, rebuilt. Nothing is lost.

CI plays a few sequences; ``HYPOTHESIS_SEQUENCES=500 pytest tests/warehouse/test_any_history.py``
plays five hundred.
"""

from __future__ import annotations

import datetime as dt
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from shared.decisions import Action, Channel
from shared.sheets import Sheet, Workbook
from tests.warehouse.by_hand import (
    AS_OF,
    GLASS,
    Check,
    content_of,
    lay_empty,
    network,
    send,
    staged_of,
)
from warehouse import decisions, record
from warehouse.clean import load_site
from warehouse.folder import database_path
from warehouse.lineage import lay_out
from warehouse.staging import Reading, reader_key, save_readings
from warehouse.store import Warehouse

SEQUENCES = int(os.environ.get("HYPOTHESIS_SEQUENCES", "6"))
FIRST = dt.date(2026, 2, 1)
COLUMNS = ("event_id, local_date, water_temperature_c, qc_event, decided, source_file_sha256, "
           "source_row")


@dataclass
class Seen:
    """One net check as the model knows it: what its sheet says of it now, or said last."""

    day: int
    count: int
    degrees: int
    """Water temperature in tenths: the value that is edited and corrected."""
    here: bool = True
    corrected: dict[int, int] | None = None
    withdrawn: int | None = None
    """What the sheet said when it was struck."""
    held: bool = False
    departed: bool = False

    @property
    def event(self) -> str:
        return f"alder:fyke:A:{FIRST + dt.timedelta(days=self.day)}T0730"

    @property
    def check(self) -> Check:
        return Check(str(FIRST + dt.timedelta(days=self.day)), {GLASS: float(self.count)},
                     {"water_temperature": self.degrees / 10})

    @property
    def loads(self) -> bool:
        return not (self.departed or self.held or self.withdrawn == self.degrees)

    @property
    def temperature(self) -> float:
        return (self.corrected or {}).get(self.degrees, self.degrees) / 10


class AnyHistory(RuleBasedStateMachine):
    """A site's sheet through any season."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        lay_empty(database_path(Path(self.folder.name)))
        self.wh = Warehouse.open(Path(self.folder.name))
        self.seen: list[Seen] = []
        self.sent: dict[str, list[Check]] = {}
        self.recorded = 0
        self.salt = 0
        self.fresh = 0
        for _ in range(4):
            self._add(0)
        self._send()

    def teardown(self) -> None:
        self.wh.close()
        self.folder.cleanup()

    # -- what a lead and a coordinator may do ---------------------------------------------

    @rule()
    def resend(self) -> None:
        self._send()

    @rule(rng=st.randoms(use_true_random=False))
    def sort(self, rng: object) -> None:
        rng.shuffle(self.seen)  # type: ignore[attr-defined]
        self._send()

    @rule(at=st.integers(0, 30))
    def insert(self, at: int) -> None:
        self._add(at)
        self._send()

    @rule(at=st.integers(0, 30))
    def delete(self, at: int) -> None:
        here = [item for item in self.seen if item.here]
        if len(here) > 2:
            gone = here[at % len(here)]
            gone.here = False
            gone.departed = gone.held and gone.withdrawn != gone.degrees
            self._send()

    @rule(at=st.integers(0, 30))
    def edit_value(self, at: int) -> None:
        here = [item for item in self.seen if item.here]
        self.fresh += 1
        here[at % len(here)].degrees = 30 + self.fresh
        self._send()

    @rule(at=st.integers(0, 30))
    def edit_date(self, at: int) -> None:
        here = [item for item in self.seen if item.here]
        self.fresh += 1
        here[at % len(here)].day = self.fresh
        self._send()

    @rule(at=st.integers(0, 30), action=st.sampled_from(list(Action)))
    def decide(self, at: int, action: Action) -> None:
        able = [item for item in self.seen if item.here]
        item = able[at % len(able)]
        if action is Action.CONFIRM:
            return
        field = "water_temperature" if action is Action.CORRECT else ""
        self.fresh += 1
        new = 30 + self.fresh
        decisions.append(self.wh, [decisions.decision_at(
            self.wh, network(), item.event, action, field=field,
            value=str(new / 10) if field else "", reason="any", who="Robin",
            channel=Channel.COORDINATOR, decided=AS_OF)])
        self.recorded += 1
        if action is Action.CORRECT:
            item.corrected = (item.corrected or {}) | {item.degrees: new}
        elif action is Action.WITHDRAW:
            item.withdrawn, item.held = item.degrees, False
        elif action is Action.HOLD:
            item.held, item.withdrawn = True, None
        else:
            item.held, item.withdrawn = False, None
        self._load(self.wh)

    @rule()
    def rebuild(self) -> None:
        before = self._clean(self.wh)
        place = Path(self.folder.name) / "rebuilt" / f"{self.fresh}-{self.salt}.duckdb"
        self.salt += 1
        lay_empty(place)
        with Warehouse.open(Path(self.folder.name), place) as made:
            record.catch_up(made)
            for sha256, checks in self.sent.items():
                self._read(made, sha256, checks)
            self._load(made)
            assert self._clean(made) == before

    # -- what must hold --------------------------------------------------------------------

    @invariant()
    def nothing_is_lost_and_nothing_is_twice(self) -> None:
        rows = self.wh.connection.execute(
            "SELECT event_id, water_temperature_c FROM clean_events ORDER BY ALL").fetchall()
        assert rows == sorted(
            (item.event, item.temperature) for item in self.seen if item.loads)
        counts = self.wh.connection.execute(
            "SELECT event_id, count FROM clean_counts ORDER BY ALL").fetchall()
        assert counts == sorted((item.event, item.count) for item in self.seen if item.loads)

    @invariant()
    def no_decision_is_lost(self) -> None:
        made = decisions.of_site(self.wh, "alder")
        assert [item.seq for item in made] == list(range(1, self.recorded + 1))
        assert len(record.read(self.wh.network_dir)["decision"]) == self.recorded

    # -- how ---------------------------------------------------------------------------------

    def _add(self, at: int) -> None:
        self.fresh += 1
        self.seen.insert(at % (len(self.seen) + 1),
                         Seen(self.fresh, 100 + self.fresh, 30 + self.fresh))

    def _send(self) -> None:
        checks = [item.check for item in self.seen if item.here]
        sha256 = send(self.wh, "alder", "alder/a.xlsx", checks, salt=str(self.salt))
        self.salt += 1
        self.sent[sha256] = checks
        assert content_of(checks)
        self._load(self.wh)

    @staticmethod
    def _read(wh: Warehouse, sha256: str, checks: list[Check]) -> None:
        book = Workbook("a.xlsx", "xlsx", [Sheet("Counts", [["Date"]])])
        with wh.transaction():
            save_readings(wh, "alder", {sha256: Reading(
                book, '[{"name": "Counts"}]', staged_of("alder", sha256, checks))},
                reader_key("1", network(), "alder"))

    @staticmethod
    def _load(wh: Warehouse) -> None:
        with wh.transaction():
            lay_out(wh, "alder")
            decisions.lay_over(wh, "alder", network())
            load_site(wh, "alder", [], AS_OF, "work")

    @staticmethod
    def _clean(wh: Warehouse) -> list[tuple[object, ...]]:
        return [
            *wh.connection.execute(f"SELECT {COLUMNS} FROM clean_events ORDER BY ALL").fetchall(),
            *wh.connection.execute(
                "SELECT event_id, count, decided FROM clean_counts ORDER BY ALL").fetchall()]


TestAnyHistory = AnyHistory.TestCase
TestAnyHistory.settings = settings(
    max_examples=SEQUENCES, stateful_step_count=10,
    suppress_health_check=list(HealthCheck))
