"""Ways to cut a rock with a band: advice in sentences, a table, a picture."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from flowsheet.show.graphics.style import GOLD, INK, RULE, SOFT, new_figure, png
from flowsheet.show.text.figures import percent, short, sig
from flowsheet.show.text.tables import Column, Grid
from flowsheet.show.text.terminal import console, list_lines, print_table
from flowsheet.steps.base import SAWING
from flowsheet.study.common.units_out import each, millimetres, square_centimetres
from flowsheet.study.rocks.slabs import ACROSS, ALONG, Between, Cut, Rock

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

AN_IDEAL = (
    "The rock is taken as a block and the band as flat and through its middle; where the first cut falls is left to "
    "chance. A rounder rock shows less, but shares of swarf stay."
)
SURE = 0.02
"""A loss that the first cut moves by less than this share is the same wherever it falls."""
SELDOM = 0.005
"""A chance below this is not told."""
MOST_CUTS = 400
"""Cuts beyond this many are not drawn."""


def way(angle: float) -> str:
    """Return how a way of cutting is called."""
    return {ALONG: "along", ACROSS: "across"}.get(angle, f"at {short(angle)}°")


def as_dict(rock: Rock, cuts: Sequence[Cut]) -> dict[str, Any]:
    """Return everything as plain data, in mm and cm2."""
    return {
        "rock_mm": [millimetres(size) for size in (rock.long, rock.wide, rock.high)],
        "band_mm": millimetres(rock.band),
        "band_share": rock.band_share,
        "cuts": [
            {
                "way": way(one.angle),
                "angle_deg": one.angle,
                "slab_mm": millimetres(one.slab),
                "kerf_mm": millimetres(one.kerf),
                "slabs": asdict(one.slabs),
                "faces": asdict(one.faces),
                "faces_with_band": asdict(one.showing),
                "band_shown_cm2": each(asdict(one.shown), square_centimetres),
                "largest_on_a_face_cm2": square_centimetres(one.largest),
                "band_to_swarf": asdict(one.band_lost),
                "rock_to_swarf": asdict(one.rock_lost),
                "no_face_shows": one.hidden + one.all_swarf,
                "band_all_swarf": one.all_swarf,
            }
            for one in cuts
        ],
        "advice": list(advice(rock, cuts)),
        "cautions": [AN_IDEAL, *SAWING],
    }


def table(cuts: Sequence[Cut]) -> Grid:
    """Return every way, slab and kerf."""
    columns = (
        Column("Cut"),
        Column("Slab, mm", short),
        Column("Kerf, mm", short),
        Column("Slabs", _range),
        Column("Faces with band", _range, shown="Faces, with band"),
        Column("Band shown, cm2", _sig),
        Column("no face, %", _percent, shown="No face, %"),
        Column("Band to swarf, %", _percent, shown="Band to, swarf %"),
        Column("from", _percent),
        Column("to", _percent),
        Column("Rock to swarf, %", _percent, shown="Rock to, swarf %"),
    )
    rows = [
        (way(c.angle), millimetres(c.slab), millimetres(c.kerf), c.slabs, c.showing, square_centimetres(c.shown.mean),
         c.hidden + c.all_swarf, c.band_lost.mean, c.band_lost.least, c.band_lost.most, c.rock_lost.mean)
        for c in cuts
    ]  # fmt: skip
    return Grid("cuts", "What each way of cutting brings (means; from, to: as the first cut falls)", columns, rows)


def for_file(cuts: Sequence[Cut]) -> Grid:
    """Return the same with plain numbers, for CSV."""
    heads = ("Cut", "Angle, deg", "Slab, mm", "Kerf, mm", "Slabs", "Faces", "Faces with band", "Band shown, cm2",
             "No face shows band", "Band to swarf", "least", "most", "Rock to swarf")  # fmt: skip
    rows = [
        (way(c.angle), c.angle, millimetres(c.slab), millimetres(c.kerf), c.slabs.mean, c.faces.mean, c.showing.mean,
         square_centimetres(c.shown.mean), c.hidden + c.all_swarf, c.band_lost.mean, c.band_lost.least,
         c.band_lost.most, c.rock_lost.mean)
        for c in cuts
    ]  # fmt: skip
    return Grid("cuts", "Cuts", tuple(Column(head) for head in heads), rows)


def _sig(value: float) -> str:
    return sig(value)


def _range(found: Between) -> str:
    low, high = round(found.least), round(found.most)
    return f"{low}" if low == high else f"{low} to {high}"


def _percent(share: float) -> str:
    return f"{100 * share:.1f}".removesuffix(".0")


def advice(rock: Rock, cuts: Sequence[Cut]) -> Iterator[str]:
    """Say what each way brings, which to choose for what, and what slab and kerf do."""
    first = cuts[0]
    same = [c for c in cuts if (c.slab, c.kerf) == (first.slab, first.kerf)]
    for one in same:
        yield f"{_how(one)} ({_sizes(one)}): {_faces(one)} {_lost(one)}"
    whole = next((c for c in cuts if c.angle == ALONG and c.band_lost.least < SURE), None)
    if whole is not None:
        yield (
            f"To keep the band and have one large face of it, cut along ({_sizes(whole)}) and let the first cut graze "
            f"the band's edge: it shows all {_area(whole.largest)} on one face, and next to nothing of it goes "
            "to swarf. To have many slabs that each show a stripe of it, cut across."
        )
    else:
        least = min((c for c in cuts if c.angle == ALONG), key=lambda c: c.band_lost.least)
        yield (
            f"The band is thicker than any of these slabs: cut along with care, it still loses "
            f"{percent(least.band_lost.least)} ({_sizes(least)}). Cut along for whole faces, across for a stripe on "
            "every slab."
        )
    ranked = sorted((c for c in cuts if c.angle == first.angle), key=lambda c: c.rock_lost.mean)
    best, worst = ranked[0], ranked[-1]
    if worst.rock_lost.mean - best.rock_lost.mean > SURE:
        yield (
            f"Whichever way, kerf ÷ (kerf + slab) goes to swarf on average: {percent(best.rock_lost.mean)} with "
            f"{_sizes(best)}, {percent(worst.rock_lost.mean)} with {_sizes(worst)}. A thinner blade and thicker slabs "
            "save rock and gold; pan the swarf."
        )
    else:
        lost = percent(best.rock_lost.mean)
        yield f"Whichever way, kerf ÷ (kerf + slab), {lost}, goes to swarf on average: pan it, its gold goes too."


def _area(area: float) -> str:
    return f"{sig(square_centimetres(area))} cm2"


def _sizes(one: Cut) -> str:
    return f"{short(millimetres(one.slab))} mm slabs and {short(millimetres(one.kerf))} mm kerf"


def _how(one: Cut) -> str:
    return {ALONG: "Along the band", ACROSS: "Across it"}.get(one.angle, f"At {short(one.angle)}° to it")


def _faces(one: Cut) -> str:
    text = _showing(one)
    if one.angle == ALONG:
        text += f", whole ({_area(one.largest)} each)"
    else:
        text += f", at most {_area(one.largest)} on one"
    text += f", {_area(one.shown.mean)} in all on average"
    hidden = one.hidden + one.all_swarf
    return f"{text}; {percent(hidden)} of the time, by chance, none does." if hidden > SELDOM else f"{text}."


def _showing(one: Cut, band: str = "it") -> str:
    """Say which of the sawn faces show the band: "all 24 sawn faces", "2 to 4 of the 60 sawn faces"."""
    many = _range(one.faces)
    known = many.isdecimal()  # else it hangs on where the first cut falls
    faces = f"{many} sawn faces" if known else f"sawn faces ({many})"
    if math.isclose(one.showing.mean, one.faces.mean):
        return f"all {faces} show {band}"
    return f"{_range(one.showing)} of the {faces} {'shows' if round(one.showing.most) == 1 else 'show'} {band}"


def _lost(one: Cut) -> str:
    loss = one.band_lost
    if loss.most - loss.least < SURE:
        return f"{percent(loss.mean)} of the band goes to swarf, wherever the first cut falls."
    return (
        f"{percent(loss.mean)} of the band goes to swarf on average: {percent(loss.least)} to {percent(loss.most)} as "
        "the first cut falls."
    )


def show(rock: Rock, cuts: Sequence[Cut]) -> None:
    """Print the rock, advice, the table and cautions."""
    out = console()
    long, wide, high = (short(millimetres(size)) for size in (rock.long, rock.wide, rock.high))
    band = f"{short(millimetres(rock.band))} mm thick, {percent(rock.band_share)} of it"
    out.print(f"A rock of {long} × {wide} × {high} mm with a band {band}, {long} × {wide} mm", style="bold")
    for text in advice(rock, cuts):
        out.print()
        out.print(text)
    out.print()
    print_table(out, table(cuts))
    if not any(c.slabs.most >= 1 for c in cuts):
        out.print("No slab is had: the rock is thinner than a slab with its kerfs.")
    list_lines(out, "Take care", [AN_IDEAL, *SAWING])


def cut_files(rock: Rock, cuts: Sequence[Cut]) -> dict[str, bytes]:
    """Return the table and the picture, by the names of their files."""
    return {"cuts.csv": for_file(cuts).csv(), "cuts.png": png(figure(rock, cuts))}


def figure(rock: Rock, cuts: Sequence[Cut]) -> Figure:
    """Draw the rock from the side with its band and the cuts, each way beside the other (first slab and kerf)."""
    first = cuts[0]
    same = [c for c in cuts if (c.slab, c.kerf) == (first.slab, first.kerf)]
    tall = 1.3 + 4.2 * rock.high / rock.long
    drawn, panels = new_figure(len(same), 4.6, min(max(tall, 2.6), 8.0))
    for axes, one in zip(panels, same, strict=True):
        _draw(axes, rock, one)
    drawn.suptitle(f"Seen from the side: {_sizes(first)}", fontsize=11)
    return drawn


def _draw(axes: Axes, rock: Rock, one: Cut) -> None:
    from matplotlib.patches import Rectangle

    long, high, band = millimetres(rock.long), millimetres(rock.high), millimetres(rock.band)
    slab, kerf = millimetres(one.slab), millimetres(one.kerf)
    outline = Rectangle((-long / 2, -high / 2), long, high, facecolor=RULE, edgecolor="none")
    axes.add_patch(outline)
    axes.add_patch(Rectangle((-long / 2, -band / 2), long, band, facecolor=GOLD, edgecolor="none"))
    far = math.hypot(long, high)
    turn = math.radians(one.angle)
    # Kerfs lie side by side along the normal of the cut; the first grazes the band where it is cut along.
    start = band / 2 if one.angle == ALONG else -(slab + kerf) / 2
    many = min(math.ceil(far / (slab + kerf)), MOST_CUTS)
    for k in range(-many, many + 1):
        at = start + k * (slab + kerf)
        corner = (-math.sin(turn) * at - far * math.cos(turn), math.cos(turn) * at - far * math.sin(turn))
        blade = Rectangle(corner, 2 * far, kerf, angle=one.angle, facecolor="white", edgecolor=SOFT,
                          linewidth=0.4)  # fmt: skip
        axes.add_patch(blade)
        blade.set_clip_path(outline)
    axes.add_patch(Rectangle((-long / 2, -high / 2), long, high, fill=False, edgecolor=INK, linewidth=1.2))
    axes.set_xlim(-0.53 * long, 0.53 * long)
    axes.set_ylim(-0.53 * high, 0.53 * high)
    axes.set_aspect("equal")
    axes.set_axis_off()
    lost = f"{percent(one.band_lost.least)} to {percent(one.band_lost.most)}"
    told = percent(one.band_lost.mean) if one.band_lost.most - one.band_lost.least < SURE else lost
    axes.set_title(f"{way(one.angle)}: {_showing(one, 'the band')},\n{told} of it to swarf", fontsize=10)
