"""How do I saw a rock with a mineral band, along the band or across it? What shows, and what goes to swarf.

The rock is a box, the band a flat layer through its middle, as long and wide as the rock. A saw takes kerf after kerf,
one every slab + kerf (the pitch), and nobody knows where the first cut falls: its offset is even over a pitch. What
a plane finds of the band is the chord of a rectangle, a trapezoid of the plane's place, so that what many cuts find is
piecewise a quadratic of the offset: means, least and most are exact. Whatever the shape and the lie, the mean share
that goes to swarf is kerf/pitch, and the mean area shown 2 volume/pitch (Cavalieri's principle): the ways of cutting
differ in how sure that is, and in how many faces share it. Lengths are in m.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.spec.rocks.cutting_plan import CuttingPlan
from flowsheet.spec.text.brief import counted
from flowsheet.study.common.frames import Tabled, Tables, rows
from flowsheet.study.common.units_out import Names, millimetres, square_centimetres

ALONG, ACROSS = 0.0, 90.0
"""Degrees between the band and the cutting plane."""
FLAT = 1e-9
"""Angles (rad) this close to one of them are it."""
NODES = np.array([0.25, 0.5, 0.75])
"""Where between two kinks a quadratic is looked at: inside, since it may jump at its ends."""


@dataclass(frozen=True)
class Rock:
    """A block with a band through its middle, m: the band is ``long`` × ``wide`` and lies square to ``high``."""

    long: float
    wide: float
    high: float
    band: float

    @property
    def band_share(self) -> float:
        """Return the band's share of the rock's volume."""
        return self.band / self.high


@dataclass(frozen=True)
class Between:
    """A number (none is below zero) over all offsets of the first cut: its mean, standard deviation, least and most."""

    mean: float
    sd: float
    least: float
    most: float


CUT: Names = {
    "angle": ("angle_deg", float),
    "slab": ("slab_mm", millimetres),
    "kerf": ("kerf_mm", millimetres),
    "shown": ("shown_cm2", square_centimetres),
    "largest": ("largest_cm2", square_centimetres),
}
"""How a table calls the fields of a way of cutting, and the units that it says."""


@dataclass(frozen=True)
class Cut:
    """What one way of cutting brings."""

    angle: float
    slab: float
    kerf: float
    #: Slabs sawn on both faces; the two end pieces are not counted.
    slabs: Between
    #: Sawn faces, and those of them that show the band.
    faces: Between
    showing: Between
    #: Area of band shown on all faces together, and the most that one face can show, m2.
    shown: Between
    largest: float
    #: Share of the band, and of the rock, that goes to swarf.
    band_lost: Between
    rock_lost: Between
    #: Chance that no face shows the band: it lies whole inside a slab, or whole in the blade's way.
    hidden: float
    all_swarf: float


@dataclass(frozen=True, repr=False)
class Cutting(Tabled):
    """A rock, and what every way of cutting it brings, slab by slab and kerf by kerf.

    >>> import flowsheet as fs
    >>> fs.cut("120 x 90 x 70 mm", band="6 mm", slab="5 mm", kerf="1 mm, 2 mm")
    <Cutting: 120 x 90 x 70 mm with a band of 6 mm, 4 ways>
    """

    rock: Rock
    cuts: list[Cut]

    def _tables(self) -> Tables:
        return {
            "cuts": lambda: rows(self.cuts, names=CUT),
        }

    def _headline(self) -> tuple[str, str]:
        size = " x ".join(f"{millimetres(side):.3g}" for side in (self.rock.long, self.rock.wide, self.rock.high))
        return (
            "Cutting",
            f"{size} mm with a band of {millimetres(self.rock.band):.3g} mm, {counted(len(self.cuts), 'way')}",
        )


def ways(plan: CuttingPlan) -> tuple[Rock, list[Cut]]:
    """Return the rock of a plan, and what each way, slab and kerf brings: along, across, and the plan's own lie."""
    rock = Rock(*plan.sizes, plan.band)
    angles = dict.fromkeys((ALONG, ACROSS, plan.angle))
    return rock, [cut(rock, angle, slab, kerf) for slab in plan.slabs for kerf in plan.kerfs for angle in angles]


def cut(rock: Rock, angle: float, slab: float, kerf: float) -> Cut:
    """Return what cutting ``rock`` into slabs brings, the cutting plane ``angle`` degrees off the band."""
    pitch = slab + kerf
    band = _Chord.of(rock.long, rock.band, angle)
    whole = _Chord.of(rock.long, rock.high, angle)
    ends = whole.reach / 2

    def over(function: Callable[[Array], Array], chord: _Chord) -> Between:
        return _over_offsets(function, chord.kinks, pitch, kerf)

    def within(reach: float) -> Callable[[Array], Array]:
        return lambda offset: _planes(offset, reach, pitch) + _planes(offset + kerf, reach, pitch)

    def lost(chord: _Chord) -> Callable[[Array], Array]:
        def share(offset: Array) -> Array:
            starts = _starts(offset, chord.reach + 2 * kerf, pitch)
            return np.asarray((chord.below(starts + kerf) - chord.below(starts)).sum(axis=-1) / chord.area)

        return share

    def shown(offset: Array) -> Array:
        starts = _starts(offset, band.reach + 2 * kerf, pitch)
        return np.asarray(rock.wide * (band.at(starts) + band.at(starts + kerf)).sum(axis=-1))

    def slabs(offset: Array) -> Array:
        # Kerfs that touch the rock, less one: between two of them lies a slab.
        first = np.ceil((-ends - kerf - offset) / pitch)
        last = np.floor((ends - offset) / pitch)
        return np.asarray(np.maximum(last - first, 0.0))

    return Cut(
        angle=angle,
        slab=slab,
        kerf=kerf,
        slabs=over(slabs, whole),
        faces=over(within(whole.reach), whole),
        showing=over(within(band.reach), band),
        shown=over(shown, band),
        largest=rock.wide * band.height,
        band_lost=over(lost(band), band),
        rock_lost=over(lost(whole), whole),
        hidden=max(slab - band.reach, 0.0) / pitch,
        all_swarf=max(kerf - band.reach, 0.0) / pitch,
    )


@dataclass(frozen=True)
class _Chord:
    """Chords of a rectangle by parallel lines: a trapezoid of the line's place, symmetric about the middle."""

    #: Where the lines meet the rectangle (full width), and where they are longest (full width), m.
    reach: float
    top: float
    #: The longest chord, m.
    height: float

    @classmethod
    def of(cls, along: float, across: float, angle: float) -> _Chord:
        """Return the chords of a rectangle ``along`` × ``across`` by lines ``angle`` degrees off its first side."""
        turn = math.radians(angle)
        s, c = abs(math.sin(turn)), abs(math.cos(turn))
        if s < FLAT:
            return cls(across, across, along)
        if c < FLAT:
            return cls(along, along, across)
        return cls(along * s + across * c, abs(along * s - across * c), min(along / c, across / s))

    @property
    def area(self) -> float:
        """Return the rectangle's area."""
        return self.height * (self.reach + self.top) / 2

    @property
    def kinks(self) -> tuple[float, ...]:
        """Return where the trapezoid bends or jumps."""
        return (-self.reach / 2, -self.top / 2, self.top / 2, self.reach / 2)

    def at(self, place: Array) -> Array:
        """Return the chord at each place."""
        slope = (self.reach - self.top) / 2
        off = np.abs(place)
        if slope <= 0:
            return np.where(off <= self.reach / 2, self.height, 0.0)
        return np.asarray(self.height * np.clip((self.reach / 2 - off) / slope, 0.0, 1.0))

    def below(self, place: Array) -> Array:
        """Return the area of the rectangle below each place: the integral of the chord."""
        outer, inner = self.reach / 2, self.top / 2
        slope = outer - inner
        x = np.clip(place, -outer, outer)
        flat = self.height * np.clip(x, -inner, inner)
        if slope > 0:  # of the triangles beside the flat part, that on the left fills first
            past = np.clip(np.abs(x) - inner, 0.0, slope)
            flat = flat + np.sign(x) * self.height * (past - past**2 / (2 * slope))
        return np.asarray(self.area / 2 + flat)


def _starts(offset: Array, reach: float, pitch: float) -> Array:
    """Return where the kerfs begin that may touch a body of ``reach`` about the middle, (..., K)."""
    many = math.ceil(reach / 2 / pitch) + 1
    return np.asarray(offset[..., None] + pitch * np.arange(-many, many + 1))


def _planes(offset: Array, reach: float, pitch: float) -> Array:
    """Count the planes at offset + k pitch inside a body of ``reach`` about the middle."""
    return np.asarray(np.floor((reach / 2 - offset) / pitch) - np.ceil((-reach / 2 - offset) / pitch) + 1)


def _over_offsets(function: Callable[[Array], Array], kinks: Sequence[float], pitch: float, kerf: float) -> Between:
    """Return a number over all offsets, exactly: between kinks it is a quadratic of the offset, or less."""
    bends = np.unique(np.mod([k - shift for k in kinks for shift in (0.0, kerf)], pitch))
    edges = np.unique(np.concatenate([[0.0], bends, [pitch]]))
    wide = np.diff(edges)
    keep = wide > FLAT * pitch
    start, wide = edges[:-1][keep], wide[keep]
    y = function(start[:, None] + wide[:, None] * NODES)
    # With t from -2 to 2 between the kinks and nodes at -1, 0, 1.
    a, b, c = (y[:, 0] - 2 * y[:, 1] + y[:, 2]) / 2, (y[:, 2] - y[:, 0]) / 2, y[:, 1]
    curved = np.abs(a) > FLAT * np.abs(y).max()
    turn = np.clip(np.divide(-b, 2 * a, out=np.zeros_like(a), where=curved), -2, 2)
    t = np.stack([np.full_like(a, -2.0), np.full_like(a, 2.0), turn])
    values = a * t**2 + b * t + c
    weight = wide / wide.sum()
    mean = float(weight @ (4 / 3 * a + c))
    # ∫(at² + bt + d)² over t from -2 to 2, by its length, with d measured from the mean.
    d = c - mean
    variance = float(weight @ (16 / 5 * a**2 + 4 / 3 * (b**2 + 2 * a * d) + d**2))
    return Between(mean, math.sqrt(max(variance, 0.0)), max(float(values.min()), 0.0), float(values.max()))
