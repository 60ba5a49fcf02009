"""The simulator by itself: it conserves, its luck is Poisson, a seed repeats, and it knows nothing of the program."""

from __future__ import annotations

import ast
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from cells import ORES, RIGHT, WEIGHINGS, Cell, cells, invented
from invented_rock import OPENING, Classes, broken, rock_shares, shifted, slack_centre
from invented_test import ENDS, NORMAL_95, Bench, Luck, Means, Truth, drawn_truth
from repeats import coverage, holds, key, lines, table

HERE = Path(__file__).parent


def planned(ore: str) -> Truth:
    """Return an ore just as its sheet has it."""
    d50, d95, guess = ORES[ore]
    return Truth(guess * 1e-6, [(1.0, d50 / 1e3, math.log(d95 / d50) / NORMAL_95)])


@pytest.mark.parametrize("name", ["invented_rock", "invented_test", "cells"])
def test_the_simulator_imports_numpy_and_scipy_alone(name: str) -> None:
    allowed = {
        "__future__",
        "math",
        "zlib",
        "dataclasses",
        "fnmatch",
        "typing",
        "numpy",
        "scipy",
        "invented_rock",
        "invented_test",
    }
    for node in ast.walk(ast.parse((HERE / f"{name}.py").read_text(encoding="utf-8"))):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
        assert {one.partition(".")[0] for one in names} <= allowed


@pytest.mark.parametrize("ore", ORES)
def test_nothing_is_lost_on_the_way(ore: str) -> None:
    rng = np.random.default_rng(1)
    d50, d95, guess = ORES[ore]
    for _ in range(5):
        bench = Bench(drawn_truth(rng, d50 / 1e3, d95 / 1e3, guess * 1e-6))
        held, mean = bench.sack(Luck(rng)), bench.sack(Means())
        assert sum(held.end(name) for name in ENDS) == pytest.approx(held.fed, rel=1e-12)
        assert sum(mean.end(name) for name in ENDS) == pytest.approx(bench.truth.mass * bench.truth.grade, rel=1e-12)
        assert sum(held.rock[name] for name in ("specimens", "con", "tails")) == pytest.approx(bench.truth.mass)
        assert 0 <= held.coarse <= held.fed
        assert all((count >= 0).all() and count.dtype.kind == "i" for count in held.clusters.values())


def test_breaking_keeps_the_rock_and_makes_nothing_coarser() -> None:
    ends = broken(Classes.to_screen(), 0.006)
    assert ends.sum(axis=1) == pytest.approx(1.0)
    assert np.tril(ends, -1) == pytest.approx(0.0)


@pytest.mark.parametrize("law", ["gates", "rosin"])
def test_both_laws_of_size_pass_what_they_say(law: str) -> None:
    classes = Classes.to_screen()
    shares = rock_shares(classes, law)
    assert shares.sum() == pytest.approx(1.0)
    x63 = 0.06 / math.log(5) ** (1 / 0.7)
    finer = 0.8 * (OPENING / 0.06) ** 0.7 if law == "gates" else -math.expm1(-((OPENING / x63) ** 0.7))
    assert shares[~classes.coarse].sum() == pytest.approx(finer)


@pytest.mark.slow
def test_clusters_are_poisson_in_what_is_fed_and_in_each_end() -> None:
    truth = replace(planned("nuggety"), cluster=2)
    bench = Bench(truth)
    rng = np.random.default_rng(3)
    held = [bench.sack(Luck(rng)) for _ in range(1500)]
    for end in ("bead", "tails", "specimens"):
        counts = np.array([one.clusters[end] for one in held])
        mean = bench.sack(Means()).clusters[end]
        many = mean > 0.5
        assert many.any()
        # A Poisson count has its mean for its variance; the sample variance is off by about sqrt(2 / n) of it.
        ratio = counts[:, many].var(axis=0, ddof=1) / mean[many]
        assert np.abs(ratio - 1).max() < 5 * math.sqrt((2 + 1 / 0.5) / len(held))
        off = (counts[:, many].mean(axis=0) - mean[many]) / np.sqrt(mean[many] / len(held))
        assert np.abs(off).max() < 5
    # Ends of Poisson many clusters that each go their own way are independent.
    both = np.array([[one.clusters[end].sum() for end in ("bead", "specimens")] for one in held])
    assert abs(np.corrcoef(both.T)[0, 1]) < 5 / math.sqrt(len(held))


def test_slack_keeps_the_mean_share_over_the_feed() -> None:
    share, feed = np.array([0.02, 0.5, 0.9, 1.0, 0.0]), np.array([1.0, 2.0, 3.0, 1.0, 1.0])
    centre = slack_centre(share, feed, 0.8)
    z = np.random.default_rng(5).normal(size=200_000)
    mean = np.mean([(feed * shifted(share, centre + 0.8 * one)).sum() for one in z[:20_000]])
    assert mean / (feed * share).sum() == pytest.approx(1.0, abs=0.005)
    assert abs(centre) > 0.01


def test_coarse_rock_is_as_rich_as_the_truth_says() -> None:
    even, rich = (Bench(replace(planned("fine"), coarse_times=times)) for times in (1.0, 3.0))
    share = rock_shares(even.classes)[even.classes.coarse].sum()
    found = rich.of_host[rich.classes.coarse].sum()
    assert even.of_host[even.classes.coarse].sum() == pytest.approx(share)
    assert found / (1 - found) == pytest.approx(3 * share / (1 - share))


def test_a_seed_gives_the_same_test_and_another_one_another() -> None:
    cell = Cell("coarse", "all")
    assert invented(cell, 4) == invented(cell, 4)
    assert invented(cell, 4).sheet != invented(cell, 5).sheet


def test_every_cell_can_be_drawn() -> None:
    assert len(cells()) == len({cell.name for cell in cells()})
    assert len(cells(["*/right"])) == len(ORES) * len(WEIGHINGS)
    for cell in cells():
        test = invented(cell, 0)
        assert ("weighed:" in test.sheet) is (cell.weighing != "none")
        assert all(math.isfinite(true) and true >= 0 for true in test.truths.values())


def test_ties_at_nought_are_split() -> None:
    coins = (np.arange(1000) + 0.5) / 1000
    assert np.mean([holds(0.0, 0.0, 2.0, coin) for coin in coins]) == pytest.approx(0.5)
    assert np.mean([holds(0.0, 0.0, 0.0, coin) for coin in coins]) == pytest.approx(0.9)
    assert holds(1.0, 0.0, 2.0, 0.99)
    assert not holds(0.0, 0.1, 2.0, 0.0)


def test_results_are_read_back_past_a_line_that_was_broken_off(tmp_path: Path) -> None:
    whole = {"ore": "fine", "weighing": "bead", "case": RIGHT, "seed": 0, "code": "x"}
    whole["answers"] = {"gold_held": [2.0, 1.0, 3.0], "kept_share": [0.5, 0.6, 0.9]}
    (tmp_path / "x.jsonl").write_text(json.dumps(whole) + "\n" + json.dumps(whole)[:30], encoding="utf-8")
    read = list(lines(tmp_path / "x.jsonl"))
    assert read == [whole]
    assert key(read[0]) == ("fine", "bead", RIGHT, 0, "x")
    held, kept = coverage(read)
    assert (held.share, kept.share) == (1.0, 0.0)
    assert (held.width, kept.width) == (pytest.approx(math.log(3)), pytest.approx(0.3))
    assert "100.0 ( 1.10)" in table(read)
