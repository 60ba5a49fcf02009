"""What is asked of single rocks, which need no sheet: gold by weighing in water, and how to saw."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flowsheet.study.rocks.result import Specimens
    from flowsheet.study.rocks.slabs import Cutting


def specimen(
    air: str | None = None,
    water: str | None = None,
    *,
    file: str | Path | None = None,
    host: str | None = None,
    fineness: str | None = None,
    metal: str | None = None,
    scale: str | None = None,
    temperature: float | None = None,
    draws: int = 10_000,
    seed: int = 1,
    progress: Callable[[Iterable[Any]], Iterable[Any]] = iter,
) -> Specimens:
    """Return the gold in a rock by its weights in air and hanging in water, or in all rocks of a table.

    ``air`` and ``water``: what it weighs, dry and hanging in water ("96 g"); or ``file``: a table (CSV) of rocks.
    ``host``: its density in g/cm3, or "quartz + 3 % pyrite"; ``fineness`` as "870 ± 20", or the ``metal``'s density in
    g/cm3; ``scale``: its step, as "0.01 g"; ``temperature`` of the water in °C (without it: 1.000 g/cm3). Raises
    SheetError for what is wrong, each argument by its name, and for weights that no rock can have.

    >>> import flowsheet as fs
    >>> found = fs.specimen("96 g", "74.5 g", host="quartz")
    >>> len(found.counted)
    1
    """
    from flowsheet.spec.rocks import specimen_table
    from flowsheet.spec.rocks.specimen_table import IMPOSSIBLE
    from flowsheet.spec.text.mistakes import Mistake, SheetError
    from flowsheet.spec.text.source_files import SourceFiles
    from flowsheet.spec.text.wording import argument, by_asker
    from flowsheet.study.rocks.hydrostatic import weigh
    from flowsheet.study.rocks.result import impossible

    def fail(option: str, message: str, remedy: str) -> SheetError:
        return SheetError([Mistake(message, remedy, file=argument(option), code="option_refused")])

    if file is not None and (air is not None or water is not None):
        remedy = f"Give {argument('file')}, or {argument('air')} and {argument('water')}"
        raise fail("file", "both a table and the weights of one rock are given", remedy)
    if file is None and (air is None or water is None):
        both = by_asker(" ", ", ").join((argument("air", "96g"), argument("water", "74.5g")))
        remedy = f"Give both, as {both}, or a table: {argument('file', 'rocks.csv')}"
        raise fail("air" if air is None else "water", "this weight is missing", remedy)
    # From Python a bare number comes easily, and nobody can tell its unit.
    examples = {"air": (air, "96 g"), "water": (water, "74.5 g"), "host": (host, "2.65 ± 0.05"),
                "fineness": (fineness, "870 ± 20"), "metal": (metal, "17.5"), "scale": (scale, "0.01 g")}  # fmt: skip
    for name, (given, like) in examples.items():
        if given is not None and not isinstance(given, str):
            raise TypeError(f'{name} is wanted as text, as {name}="{like}", not {given!r}')
    options = {"air": air, "water": water, "host": host, "fineness": fineness, "metal": metal, "scale": scale}
    common, one = specimen_table.from_options(options, temperature)
    rocks, sources = [one] if one is not None else [], SourceFiles()
    if file is not None:
        rocks, sources = specimen_table.read(Path(file), common)
    found = replace(weigh(rocks, draws, seed, progress), sources=sources)
    if not found.counted:
        wrong = [(rock.specimen.name, *impossible(rock)) for rock in found.left_out]
        if file is not None:
            raise SheetError([Mistake(m, r, name, file=str(file), code=IMPOSSIBLE) for name, m, r in wrong])
        raise SheetError([Mistake(m, r, read=water, file=argument("water"), code=IMPOSSIBLE) for _, m, r in wrong])
    return found


def cut(rock: str, band: str, slab: str, kerf: str, lie: str = "across") -> Cutting:
    """Return what sawing a rock along its mineral band, across it, or as ``lie`` says (degrees) brings.

    ``rock``: its size, "120 mm" or "120 x 90 x 70 mm" (the third square to the band); ``band``: its thickness;
    ``slab`` and ``kerf``: thickness of slab and blade, one or several ("3 mm, 5 mm"). Raises SheetError.

    >>> import flowsheet as fs
    >>> found = fs.cut("120 x 90 x 70 mm", band="6 mm", slab="5 mm", kerf="1 mm, 2 mm")
    >>> len(found.cuts), round(found.rock.band_share, 3)
    (4, 0.086)
    """
    from flowsheet.spec.rocks.cutting_plan import read
    from flowsheet.study.rocks.slabs import Cutting, ways

    return Cutting(*ways(read(rock, band, lie, slab, kerf)))
