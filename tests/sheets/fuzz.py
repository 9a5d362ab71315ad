"""A fuzzer over the file readers: sheets of the corpus with something gone wrong in them.

    nice python -m tests.sheets.fuzz --minutes 10 [--seed 7]

The tests draw a bounded number from fixed seeds. This runs for as long as it is told, each
batch in a process of its own, and puts into ``kept/`` whatever crashes it, takes longer
than :data:`MOST_SECONDS` or more memory than :data:`MOST_MEGABYTES`.
"""

from __future__ import annotations

import argparse
import io
import json
import random
import subprocess
import sys
import tempfile
import time
import zipfile
from collections import Counter
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
MADE, KEPT = HERE / "made", HERE / "kept"
MOST_SECONDS = 10.0
MOST_MEGABYTES = 1024.0


def taken_in(paths: list[Path], seconds: float = 240.0) -> tuple[list[dict[str, Any]], float]:
    """What became of each file, taken in by a process of its own, and its peak in MB."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.sheets.hostile"],
        input="".join(f"{path}\n" for path in paths),
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=seconds,
        check=False,
    )
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 0, f"the process died: {lines[-1:]} {done.stderr[-400:]}"
    assert lines[-1]["peak"] < MOST_MEGABYTES
    results = [line for line in lines if "outcome" in line]
    assert len(results) == len(paths)
    return results, float(lines[-1]["peak"])


def noise(rng: random.Random, data: bytes) -> bytes:
    """The bytes with one thing gone wrong."""
    if not data:
        return data
    made = bytearray(data)
    place = rng.randrange(len(made))
    kind = rng.randrange(6)
    if kind == 0:
        for _ in range(rng.randint(1, 8)):
            made[rng.randrange(len(made))] = rng.randrange(256)
    elif kind == 1:
        del made[place:]
    elif kind == 2:
        del made[place : place + rng.randint(1, 200)]
    elif kind == 3:
        made[place:place] = made[place : place + rng.randint(1, 400)] * rng.randint(1, 20)
    elif kind == 4:
        for _ in range(rng.randint(1, 4)):
            at = rng.randrange(len(made))
            made[at : at + 4] = rng.choice((b"\xff" * 4, b"\x00" * 4, b"\xff\xff\xff\x7f"))
    else:
        digits = [n for n, byte in enumerate(made[:200_000]) if 48 <= byte <= 57]
        for _ in range(min(len(digits), rng.randint(1, 6))):
            made[rng.choice(digits)] = rng.choice(b'0123456789-<>"')
    return bytes(made)


def noise_inside(rng: random.Random, data: bytes) -> bytes:
    """An archive with something gone wrong within one of its members."""
    held = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(data)) as old,
        zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        names = [entry.filename for entry in old.infolist() if entry.file_size]
        hit = rng.choice(names)
        for entry in old.infolist():
            content = old.read(entry)
            new.writestr(entry.filename, noise(rng, content) if entry.filename == hit else content)
    return held.getvalue()


def seeds() -> list[Path]:
    """Of every kind of file in the corpus the two smallest."""
    chosen: list[Path] = []
    for suffix in (".xlsx", ".xlsm", ".xls", ".xlsb", ".ods", ".csv", ".tsv", ".txt", ".zip"):
        found = sorted(MADE.glob(f"*{suffix}"), key=lambda path: (path.stat().st_size, path.name))
        assert found, suffix
        chosen += found[:2]
    return chosen


def broken(seed: Path, rng: random.Random) -> bytes:
    """The file with something gone wrong, in its wrapping or within a member."""
    data = seed.read_bytes()
    return noise_inside(rng, data) if data[:2] == b"PK" and rng.random() < 0.6 else noise(rng, data)


def main() -> None:
    """Run until the time is up; print what became of the files and what was kept."""
    parser = argparse.ArgumentParser(prog="python -m tests.sheets.fuzz")
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=int(time.time()))
    options = parser.parse_args()
    sheets = sorted(path for path in MADE.iterdir() if path.suffix != ".json")
    rng = random.Random(options.seed)
    outcomes: Counter[str] = Counter()
    slowest = peak = 0.0
    kept: list[str] = []
    until = time.monotonic() + 60 * options.minutes
    while time.monotonic() < until:
        with tempfile.TemporaryDirectory() as folder:
            paths = []
            for number in range(60):
                seed = rng.choice(sheets)
                path = Path(folder) / f"{number:02d}-{seed.name}"
                path.write_bytes(broken(seed, rng))
                paths.append(path)
            try:
                results, used = taken_in(paths)
            except (AssertionError, subprocess.TimeoutExpired):
                # One by one then, to know which.
                results, used = [], 0.0
                for path in paths:
                    try:
                        one, more = taken_in([path], 60.0)
                    except (AssertionError, subprocess.TimeoutExpired):
                        one, more = [{"name": path.name, "outcome": "died", "seconds": 0.0}], 0.0
                    results += one
                    used = max(used, more)
            peak = max(peak, used)
            for path, result in zip(paths, results, strict=True):
                outcomes[result["outcome"]] += 1
                slowest = max(slowest, result["seconds"])
                if result["outcome"] in ("crashed", "died") or result["seconds"] > MOST_SECONDS:
                    target = KEPT / f"fuzz-{options.seed}-{len(kept)}{path.suffix}"
                    target.write_bytes(path.read_bytes())
                    kept.append(f"{target.name}: {result}")
    print(
        f"seed {options.seed}, {options.minutes:g} minutes, {sum(outcomes.values())} files: "
        f"{dict(outcomes)}; slowest {slowest:.1f} s, most memory {peak:.0f} MB; kept: "
        f"{kept or 'nothing'}"
    )


if __name__ == "__main__":
    main()
