"""An invented test: a truth drawn from the priors, and a sack of that ore taken through the bench cluster by cluster.

Clusters of grains are Poisson by size of host and of grain. Each goes its own way by the steps' chances, so counts are
parted by binomial draws; the same walk with means in place of draws gives what is to be expected. Nothing of the
program is imported here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from invented_rock import (
    CARE,
    GAP,
    GOLD_SOAKED,
    HEAVIES,
    PAN_D50,
    PAN_HEAVY,
    PAN_LIGHT,
    PAN_MAX,
    PYRITE,
    QUARTZ,
    SEES,
    SETTING,
    SILVER_SOAKED,
    TILTS_ABOVE,
    Classes,
    broken,
    gold_shares,
    grain_mass,
    pan_keeps,
    pan_keeps_locked,
    rock_shares,
    seen,
    shifted,
    slack_centre,
    stays_on_screen,
    untouched,
)  # fmt: skip
from scipy import stats

MASS = 14.0
#: Standard deviation in log odds of each step's shares of rock and of gold, and how far gold's mean is off.
SLACK = {"scalp": (0.25, 0.25, 0.0), "look": (0.5, 0.5, 0.0), "wash": (0.4, 0.8, -0.7), "fire": (0.2, 0.4, 0.0)}
CLUSTERS, CLUSTER_CHANCES = (1, 2, 5, 10), (0.55, 0.20, 0.20, 0.05)
LOG_SIZE, LOG_SPREAD, TILT, FINENESS, LOG_GRADE, MASS_SD = 0.5, 0.2, 0.45, 0.01, 0.3, 0.02
NORMAL_95 = float(stats.norm.ppf(0.95))
ENDS = ("specimens", "bead", "cupel loss", "tails")


@dataclass
class Truth:
    """What an ore and a bench are truly like. Grade as a share of the mass; slack: (rock, gold) in deviations."""

    grade: float
    gold: list[tuple[float, float, float]]
    mass: float = MASS
    cluster: int = 1
    tilt: float = 0.0
    coarse_times: float = 1.0
    fineness: float = 0.87
    r_max: float = PAN_MAX
    d50: float = PAN_D50
    law: str = "gates"
    #: Relative standard deviation of the sacks' own grades about the ore's.
    spread: float = 0.0
    #: Step → (rock, gold), in standard deviations; where there is none it does what its model says.
    slack: dict[str, tuple[float | None, float | None]] = field(default_factory=dict)


def drawn_truth(rng: np.random.Generator, d50: float, d95: float, guess: float) -> Truth:
    """Return a truth from the priors that a sheet with this guess stands for."""
    size, spread = d50 * math.exp(LOG_SIZE * rng.normal()), math.log(d95 / d50) / NORMAL_95
    return Truth(
        grade=guess * math.exp(LOG_GRADE * rng.normal()),
        gold=[(1.0, size, spread * math.exp(LOG_SPREAD * rng.normal()))],
        mass=MASS + MASS_SD * rng.normal(),
        cluster=int(rng.choice(CLUSTERS, p=CLUSTER_CHANCES)),
        tilt=TILT * rng.normal(),
        fineness=min(0.87 + FINENESS * rng.normal(), 0.999),
        slack={step: (rng.normal(), rng.normal()) for step in SLACK},
    )


class Hand(Protocol):
    """Decides how many of some clusters go one way."""

    def begin(self, mean: np.ndarray) -> np.ndarray: ...
    def part(self, count: np.ndarray, share: np.ndarray) -> np.ndarray: ...
    def move(self, count: np.ndarray, ends: np.ndarray) -> np.ndarray: ...


class Means:
    """Takes the mean of everything."""

    def begin(self, mean: np.ndarray) -> np.ndarray:
        return mean

    def part(self, count: np.ndarray, share: np.ndarray) -> np.ndarray:
        return count * share

    def move(self, count: np.ndarray, ends: np.ndarray) -> np.ndarray:
        return count[:, :, None] * ends[:, None, :]


class Luck:
    """Draws everything: Poisson many clusters, each for itself."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng

    def begin(self, mean: np.ndarray) -> np.ndarray:
        return self.rng.poisson(mean)

    def part(self, count: np.ndarray, share: np.ndarray) -> np.ndarray:
        return self.rng.binomial(count, np.clip(np.broadcast_to(share, count.shape), 0.0, 1.0))

    def move(self, count: np.ndarray, ends: np.ndarray) -> np.ndarray:
        """Return how many of (hosts, grains) go from host to host: (from, grains, to)."""
        return self.rng.multinomial(count, ends[:, None, :] / ends.sum(axis=1)[:, None, None])


@dataclass(frozen=True)
class Held:
    """What one sack held: kg of gold by end and grain class (clusters beside them), kg of rock by stream."""

    gold: dict[str, np.ndarray]
    clusters: dict[str, np.ndarray]
    rock: dict[str, float]
    coarse: float
    fed: float
    bead: float

    def end(self, name: str) -> float:
        """Return the gold (kg) in an end."""
        return float(self.gold[name].sum())

    @property
    def kept(self) -> float:
        return self.end("specimens") + self.end("bead")


class Bench:
    """The invented bench with one truth: all chances that do not hang on luck, worked out once."""

    def __init__(self, truth: Truth) -> None:
        self.truth, self.classes = truth, Classes.to_screen()
        classes, size = self.classes, self.classes.size
        rock = truth.mass * rock_shares(classes, truth.law)
        richness = np.maximum(size, TILTS_ABOVE) ** truth.tilt * np.where(classes.coarse, truth.coarse_times, 1.0)
        hosts = rock * richness / (rock * richness).sum()
        self.one = grain_mass(size, truth.fineness)
        self.of_host = hosts[:, None] * gold_shares(classes, truth.gold)[None, :]
        self.locked = untouched(classes)
        # Scalp.
        stays = stays_on_screen(classes)
        lumps = {"light": rock * (1 - HEAVIES), "heavy": rock * HEAVIES}
        over = self._slack("scalp", 0, stays, rock)
        fines = {kind: mass * (1 - over) for kind, mass in lumps.items()}
        lumps = {kind: mass * over for kind, mass in lumps.items()}
        lots = self.of_host * self.locked, self.of_host * (1 - self.locked)
        feed = np.stack([lots[0].sum(axis=1), lots[1].sum(axis=0)])
        self.over = self._slack("scalp", 1, stays, feed)
        on_lumps = lots[0] * self.over[:, None], lots[1].sum(axis=0) * self.over
        self.gold_on_lumps = float(on_lumps[0].sum() + on_lumps[1].sum())
        # Look: clusters of seen gold in a rock, in the mean, make how many rocks are left.
        number = (lumps["light"] / QUARTZ + lumps["heavy"] / PYRITE) / (math.pi / 6 * size**3)
        missed = (1 - seen(classes)) ** truth.cluster
        clusters = truth.mass * truth.grade * on_lumps[0] / (truth.cluster * self.one)
        with np.errstate(divide="ignore", invalid="ignore"):
            in_a_rock = np.where(number > 0, (clusters * (1 - missed)).sum(axis=1) / number, 0.0)
        blind = np.exp(-in_a_rock)
        picked = self._slack("look", 0, 1 - blind, lumps["light"] + lumps["heavy"])
        plain = np.where(size >= SEES, CARE, 0.0)
        both = np.concatenate([(1 - missed * blind[:, None]).ravel(), plain])
        both = self._slack("look", 1, both, np.concatenate([on_lumps[0].ravel(), on_lumps[1]]))
        self.picked, self.picked_free = both[: missed.size].reshape(missed.shape), both[missed.size :]
        # Break and powder.
        self.ends = broken(classes, SETTING) @ broken(classes, GAP)
        ground = {kind: (fines[kind] + lumps[kind] * (1 - picked)) @ self.ends for kind in lumps}
        # Wash: the feed to it in the mean decides where its slack has its centre.
        self.keeps, self.keeps_locked = (
            pan_keeps(size, truth.r_max, truth.d50),
            pan_keeps_locked(classes, truth.r_max, truth.d50),
        )
        light, heavy = ground["light"].sum(), ground["heavy"].sum()
        kept = self._slack("wash", 0, np.array([PAN_LIGHT, PAN_HEAVY]), np.array([light, heavy]))
        powder = self._walk(Means(), self.of_host, wash_only=True)
        both = np.concatenate([self.keeps_locked.ravel(), self.keeps])
        both = self._slack("wash", 1, both, np.concatenate([powder[0].ravel(), powder[1]]))
        self.keeps_locked = both[: self.locked.size].reshape(self.locked.shape)
        self.keeps = both[self.locked.size :]
        self.soaked = self._slack("fire", 1, np.array([GOLD_SOAKED]), np.ones(1))
        coarse_rock = {kind: mass.sum() for kind, mass in lumps.items()}
        con = float(kept @ [light, heavy])
        self.rock = {
            "ore": truth.mass,
            "lumps": float(sum(coarse_rock.values())),
            "specimens": float(((lumps["light"] + lumps["heavy"]) * picked).sum()),
            "con": con,
            "tails": float(light + heavy - con),
        }

    def sack(self, hand: Hand, grade: float | None = None) -> Held:
        """Return what one sack held; ``grade`` is its own where sacks differ."""
        truth = self.truth
        lump = truth.cluster * self.one
        fed = truth.mass * (truth.grade if grade is None else grade)
        count = hand.begin(fed * self.of_host / lump)
        picked, coarse, con, tails = self._walk(hand, count)
        soaked = hand.part(con, np.broadcast_to(self.soaked, con.shape))
        ends = dict(zip(ENDS, (picked, con - soaked, soaked, tails), strict=True))
        gold = {name: clusters * lump for name, clusters in ends.items()}
        silver = (con * lump).sum() * (1 - truth.fineness) / truth.fineness * (1 - SILVER_SOAKED)
        return Held(
            gold, ends, self.rock, float((coarse * lump).sum()), float((count.sum(axis=0) * lump).sum()),
            float(gold["bead"].sum() + silver),
        )  # fmt: skip

    def _walk(self, hand: Hand, count: np.ndarray, wash_only: bool = False) -> tuple[np.ndarray, ...]:
        """Take clusters (hosts, grains) through the bench: (picked, coarse, concentrate, tails), each by grain.

        ``wash_only``: (locked (hosts, grains), free (grains)) as they come to the pan.
        """
        locked = hand.part(count, self.locked)
        free = (count - locked).sum(axis=0)
        on, free_on = hand.part(locked, self.over[:, None]), hand.part(free, self.over)
        picked, free_picked = hand.part(on, self.picked), hand.part(free_on, self.picked_free)
        coarse = locked[self.classes.coarse].sum(axis=0) + np.where(self.classes.coarse, free, 0)
        moved = hand.move(locked - picked, self.ends)  # (from, grains, to)
        with np.errstate(divide="ignore", invalid="ignore"):
            still = np.where(self.locked[:, :, None] > 0, self.locked.T[None] / self.locked[:, :, None], 0.0)
        held = hand.part(moved, np.minimum(still, 1.0))
        freed = free - free_picked + (moved - held).sum(axis=(0, 2))
        held = held.sum(axis=0).T  # (hosts, grains)
        if wash_only:
            return held, freed
        con_locked, con_free = hand.part(held, self.keeps_locked), hand.part(freed, self.keeps)
        con = con_locked.sum(axis=0) + con_free
        return picked.sum(axis=0) + free_picked, coarse, con, held.sum(axis=0) + freed - con

    def _slack(self, step: str, side: int, share: np.ndarray, feed: np.ndarray) -> np.ndarray:
        """Return a step's shares of rock (side 0) or gold (1) with this truth's slack on them."""
        drawn = self.truth.slack.get(step, (None, None))[side]
        if drawn is None:
            return share
        sd, shift = SLACK[step][side], SLACK[step][2] if side else 0.0
        base = shifted(share, shift)
        return shifted(base, slack_centre(base, feed, sd) + sd * drawn)
