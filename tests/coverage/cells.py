"""The cells of the table: ores, ways of weighing, and cases in which the sheet is wrong; and the sheet of one test.

A cell is "ore/weighing/case". Nothing of the program is imported here: a sheet is text.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass, replace
from fnmatch import fnmatch

import numpy as np
from invented_test import MASS, MASS_SD, NORMAL_95, Bench, Held, Luck, Means, Truth, drawn_truth
from scipy import optimize, stats

#: Ore → (d50 mm, d95 mm, guess of the grade g/t).
ORES = {
    "fine": (0.02, 0.08, 20.0),
    "middling": (0.1, 0.4, 20.0),
    "coarse": (0.35, 1.6, 20.0),
    "nuggety": (0.8, 4.0, 20.0),
    "rich": (0.35, 1.6, 80.0),
}
WEIGHINGS = ("bead", "balance", "all")
"""The bead alone; bead, tails grade and masses; all ends."""
RIGHT = "right"
#: How far sacks differ, relative, and its doubt in its logarithm: what is taken where a sheet says nothing of it.
SPREAD, SPREAD_DOUBT = 0.3, 0.7
FAR = 5.0
#: Whatever the sheet says of them, sacks of this case differ by so much.
SPREAD_UNTOLD = 0.6
#: (share, d50 m, d95 m) of the fine gold and of the nuggets of the cases that have both.
MIXTURE = ((0.7, 0.1e-3, 0.4e-3), (0.3, 2e-3, 4e-3))
PANS = {
    "pan_75_40": (0.75, 40e-6),
    "pan_75_150": (0.75, 150e-6),
    "pan_98_40": (0.98, 40e-6),
    "pan_98_150": (0.98, 150e-6),
}
#: Case → what the sheet says nothing of.
WRONG = {
    "coarse_rich": "rock above 20 mm is three times as rich",
    "coarse_poor": "rock above 20 mm is a third as rich",
    **{name: f"the pan's r_max is {100 * r:.0f} %, its d50 {1e6 * d:.0f} µm" for name, (r, d) in PANS.items()},
    "grains_half": "grains are half of what is told",
    "grains_twice": "grains are twice what is told",
    "clusters_5": "five grains lie together",
    "nuggets_told": "30 % nuggets, within the d50 and d95 that are told",
    "nuggets_untold": "30 % nuggets, and the fine gold alone is told",
    "guess_low": "the guess of the grade is five times too low",
    "guess_high": "the guess of the grade is five times too high",
    "factors": "shares alone, no sizes and no grains",
    "sacks_differ": "one sack, and sacks differ by 60 %",
    "bead_nought": "next to no gold",
    "bead_3mg": "a bead of about 3 mg",
    "bead_none": "nothing is weighed",
}
NO_GOLD, LITTLE_GOLD = 0.02e-6, 0.3e-6
#: How large a scale's or an assayer's error is, and what a sheet says of it: kg, shares of what is there, kg/kg.
BEAD_SD, ASSAY_SD, ASSAY_LEAST, ASSAY_MASS = 2e-6, 0.08, 0.02e-6, 0.03
MASS_SDS = {"lumps": 0.01, "specimens": 0.005, "con": 0.001, "tails": 0.02}
PICKED_SD, PICKED_LEAST, SOAKED_SD = 0.1, 1e-6, 0.2e-6


@dataclass(frozen=True)
class Cell:
    """One cell of the table."""

    ore: str
    weighing: str
    case: str = RIGHT

    @property
    def name(self) -> str:
        return f"{self.ore}/{self.weighing}/{self.case}"


def cells(patterns: list[str] | None = None) -> list[Cell]:
    """Return the cells whose names fit one of the patterns (all cells where there are none)."""
    found = [Cell(ore, weighing) for ore in ORES for weighing in WEIGHINGS]
    for case in WRONG:
        ore = "middling" if case.startswith(("nuggets", "pan")) else "coarse"
        weighed = {"bead_nought": ("bead",), "bead_3mg": ("bead",), "bead_none": ("none",)}.get(case, WEIGHINGS[:2])
        found += [Cell(ore, weighing, case) for weighing in weighed]
    return [cell for cell in found if not patterns or any(fnmatch(cell.name, one) for one in patterns)]


@dataclass(frozen=True)
class Invented:
    """One invented test: the sheet that the miner writes, and the truth behind each answer (g, g/t, shares)."""

    sheet: str
    truths: dict[str, float]


def invented(cell: Cell, seed: int) -> Invented:
    """Draw one test of a cell; the same seed gives the same test."""
    rng = np.random.default_rng([seed, zlib.crc32(cell.name.encode())])
    d50, d95, guess = ORES[cell.ore]
    spread = SPREAD * math.exp(SPREAD_DOUBT * rng.normal())
    truth = replace(drawn_truth(rng, d50 / 1e3, d95 / 1e3, guess * 1e-6), spread=spread)
    truth, told = _made_wrong(cell.case, truth, (d50, d95, guess), rng)
    # The rock of one sack is as rich as that sack; a grade that nobody weighed is the pile's.
    own = _of_sack(truth, rng) if cell.weighing != "none" else truth.grade
    bench = Bench(replace(truth, grade=own))
    held = bench.sack(Luck(rng))
    after = bench.sack(Luck(rng), _of_sack(truth, rng) if cell.weighing != "none" else truth.grade)
    ends = {name: held.end(name) for name in ("tails", "cupel loss")}
    truths = {
        "gold_held": 1e3 * held.fed,
        **({"kept_share": held.kept / held.fed, "coarse_share": held.coarse / held.fed} if held.fed > 0 else {}),
        **{f"lost_{name.replace(' ', '_')}": 1e3 * gold for name, gold in ends.items()},
        "ore_grade": 1e6 * own,
        "next_sack": 1e3 * after.fed,
    }
    if cell.case == "factors":
        truths.pop("coarse_share", None)
        text = _factors(told)
    else:
        text = sized(told)
    return Invented(text + _weighed(cell.weighing, bench, held, rng), truths)


def _of_sack(truth: Truth, rng: np.random.Generator) -> float:
    """Return the grade of one sack: lognormal about the ore's, with its spread as relative standard deviation."""
    sigma = math.sqrt(math.log1p(truth.spread**2))
    return truth.grade * math.exp(sigma * rng.normal() - sigma * sigma / 2)


Told = tuple[float, float, float]


def _made_wrong(case: str, truth: Truth, told: Told, rng: np.random.Generator) -> tuple[Truth, Told]:
    """Return what is true in a case, and what the sheet says (d50 mm, d95 mm, guess g/t)."""
    d50, d95, guess = told
    law = (1.0, d50 / 1e3, math.log(d95 / d50) / NORMAL_95)
    slack_but_pan = {step: one for step, one in truth.slack.items() if step != "wash"}
    if case in PANS:
        rock = (truth.slack["wash"][0], None)
        r_max, half = PANS[case]
        truth = replace(truth, r_max=r_max, d50=half, slack={**slack_but_pan, "wash": rock})
    elif case.startswith("nuggets"):
        gold = [(share, a, math.log(b / a) / NORMAL_95) for share, a, b in MIXTURE]
        truth = replace(truth, gold=gold)
        if case == "nuggets_told":
            d50, d95 = (1e3 * _passing(gold, share) for share in (0.5, 0.95))
    elif case in ("bead_nought", "bead_3mg"):
        truth = replace(truth, grade=NO_GOLD if case == "bead_nought" else LITTLE_GOLD)
    elif case == "bead_none":
        truth = replace(truth, grade=1e-6 * max(guess + 0.4 * guess * rng.normal(), 0.1))
    else:
        changes: dict[str, dict[str, object]] = {
            RIGHT: {},
            "coarse_rich": {"tilt": 0.0, "coarse_times": 3.0},
            "coarse_poor": {"tilt": 0.0, "coarse_times": 1 / 3},
            "grains_half": {"gold": [(1.0, law[1] / 2, law[2])]},
            "grains_twice": {"gold": [(1.0, law[1] * 2, law[2])]},
            "clusters_5": {"cluster": 5},
            "guess_low": {},
            "guess_high": {},
            "factors": {},
            "sacks_differ": {"spread": SPREAD_UNTOLD},
        }
        truth = replace(truth, **changes[case])  # type: ignore[arg-type]
        guess *= {"guess_low": 1 / FAR, "guess_high": FAR}.get(case, 1.0)
    return truth, (d50, d95, guess)


def _passing(gold: list[tuple[float, float, float]], share: float) -> float:
    """Return the grain size (m) below which this share of a mixture's gold lies."""

    def off(log_size: float) -> float:
        return sum(part * stats.norm.cdf((log_size - math.log(a)) / s) for part, a, s in gold) - share

    return math.exp(optimize.brentq(off, math.log(1e-6), math.log(0.1)))


BENCH = """\
  scalp:  {{do: screen,    takes: ore, gives: {{oversize: lumps, undersize: fines}}{scalp}}}
  look:   {{do: sort,      takes: lumps, gives: {{picked: specimens, left: plain lumps}}{look}}}
  break:  {{do: jaw_crush, takes: [plain lumps, fines], gives: crushed{crush}}}
  powder: {{do: pulverize, takes: crushed, gives: powder{powder}}}
  wash:   {{do: pan,       takes: powder, gives: {{concentrate: con, tailings: tails}}{wash}}}
  fire:   {{do: cupel,     takes: con, gives: {{bead: bead, absorbed: cupel loss}}}}
keep: [bead, specimens]
"""


def sized(told: Told) -> str:
    """Return a sheet of sizes and grains, as far as its weights; ``told``: d50 and d95 (mm), guess (g/t)."""
    d50, d95, guess = told
    return (
        f"title: invented\nore:\n  mass: {MASS:g} kg ± {1e3 * MASS_SD:g} g\n"
        f"  grade: {guess:g} g/t ± {0.4 * guess:g} g/t\n"
        "  heavies: 4 %\n  sizes: {top: 100 mm, p80: 60 mm, slope: 0.7}\n"
        f"  gold: {{d50: {d50:.6g} mm, d95: {d95:.6g} mm, fineness: 870 ± 10}}\nsteps:\n"
    ) + BENCH.format(scalp=", opening: 20 mm", look="", crush=", setting: 6 mm", powder=", gap: 0.2 mm", wash="")


def _factors(told: Told) -> str:
    """Return a sheet of shares alone: those that the ore of the sheet would have on such a bench."""
    d50, d95, guess = told
    planned = Bench(Truth(guess * 1e-6, [(1.0, d50 / 1e3, math.log(d95 / d50) / NORMAL_95)]))
    held = planned.sack(Means())
    rock, fed = planned.rock, held.fed
    on_lumps = planned.gold_on_lumps
    rest = fed - held.end("specimens")

    def shares(outlet: str, of_rock: float, of_gold: float) -> str:
        return f", split: {{{outlet}: {100 * of_rock:.5g} %}}, recovery: {{{outlet}: {100 * of_gold:.5g} %}}"

    return (
        f"title: invented\nore:\n  mass: {MASS:g} kg ± {1e3 * MASS_SD:g} g\n"
        f"  grade: {guess:g} g/t ± {0.4 * guess:g} g/t\n"
        "  gold: {fineness: 870 ± 10}\nsteps:\n"
    ) + BENCH.format(
        scalp=shares("oversize", rock["lumps"] / MASS, on_lumps),
        look=shares("picked", rock["specimens"] / rock["lumps"], held.end("specimens") / (fed * on_lumps)),
        crush="",
        powder="",
        wash=shares("concentrate", rock["con"] / (rock["con"] + rock["tails"]), 1 - held.end("tails") / rest),
    )


def _weighed(weighing: str, bench: Bench, held: Held, rng: np.random.Generator) -> str:
    """Return what the miner weighs: the truth with errors as large as the sheet says that they may be."""
    if weighing == "none":
        return ""
    told: dict[str, list[str]] = {}

    def note(stream: str, what: str, true: float, sd: float, unit: str, times: float) -> None:
        value = true + sd * rng.normal()
        # What cannot be told from nothing is written as nothing: a sheet takes no doubt above what it reads.
        value = value if value > sd else 0.0
        told.setdefault(stream, []).append(f"{what}: {times * value:.9g} {unit} ± {times * sd:.6g} {unit}")

    note("bead", "bead", held.bead, BEAD_SD, "mg", 1e6)
    if weighing != "bead":
        for stream, sd in MASS_SDS.items():
            if held.rock[stream] > 3 * sd:
                note(stream, "mass", held.rock[stream], sd, "kg", 1.0)
        # The assay takes its thirty grams by the grain: what is in them is luck.
        part = ASSAY_MASS / held.rock["tails"]
        grains = rng.binomial(held.clusters["tails"].astype(int) * bench.truth.cluster, part)
        grade = float(grains @ bench.one) / ASSAY_MASS
        note("tails", "grade", grade, ASSAY_SD * grade + ASSAY_LEAST, "g/t", 1e6)
    if weighing == "all":
        if held.rock["specimens"] > 3 * MASS_SDS["specimens"]:
            picked = held.end("specimens")
            note("specimens", "gold", picked, PICKED_SD * picked + PICKED_LEAST, "mg", 1e6)
        note("cupel loss", "gold", held.end("cupel loss"), SOAKED_SD, "mg", 1e6)
    lines = "".join(f"  {stream}: {{{', '.join(what)}}}\n" for stream, what in told.items())
    return f"weighed:\n{lines}"
