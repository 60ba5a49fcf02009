"""The simulator beside the program's plain solve: two codes that share nothing, one mean."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from cells import ORES, sized
from invented_test import ENDS, NORMAL_95, Bench, Luck, Means, Truth

import flowsheet as fs

TESTS = 400


@pytest.mark.parametrize("ore", ORES)
@pytest.mark.slow
def test_many_invented_tests_average_to_the_plain_solve(ore: str, tmp_path: Path) -> None:
    d50, d95, guess = ORES[ore]
    path = tmp_path / "sheet.yaml"
    path.write_text(sized(ORES[ore]), encoding="utf-8")
    plain = fs.run(path, certain=False)
    bench = Bench(Truth(guess * 1e-6, [(1.0, d50 / 1e3, math.log(d95 / d50) / NORMAL_95)]))
    mean = bench.sack(Means())
    for name, mass in bench.rock.items():
        assert mass == pytest.approx(plain.streams[name].mass, rel=1e-4, abs=1e-9), name
    assert mean.coarse / mean.fed == pytest.approx(
        next(row.gold_share for row in plain.coarse if math.isclose(row.opening, 0.02)), rel=1e-4
    )
    rng = np.random.default_rng(7)
    held = [bench.sack(Luck(rng)) for _ in range(TESTS)]
    for end in ENDS:
        expected = plain.streams[end].gold
        # The means of both codes agree far below the luck of one test: their screens are summed up differently.
        assert mean.end(end) == pytest.approx(expected, rel=1e-4, abs=1e-12), end
        drawn = np.array([one.end(end) for one in held])
        # Poisson clusters: the sd of an end follows from their masses.
        sd = math.sqrt(float((mean.gold[end] * bench.one).sum()) / TESTS)
        off = (drawn.mean() - expected) / max(sd, 1e-15)
        print(f"{ore:9} {end:12} plain {1e6 * expected:9.4f} mg, drawn {1e6 * drawn.mean():9.4f} mg, {off:+.2f} se")
        assert abs(off) < 4
