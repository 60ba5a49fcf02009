"""How the steps of a sheet hang together: its loops and ends, its size classes, and what to look at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.notes import Note, texts
from flowsheet.study.common.notebook_result import Shown


@dataclass(frozen=True, repr=False)
class Overview(Shown):
    """What ``check`` tells of a sheet that is right.

    >>> import flowsheet as fs
    >>> fs.check("sack3.yaml")
    <Overview 'Quillfeather dump, sack 3': right, 8 steps, 16 streams, 0 loops, 0 notes>
    """

    title: str
    #: As the sheet was called when it was read.
    file: str
    steps: int
    streams: int
    #: Size classes; None where the ore gives no sizes.
    classes: int | None
    #: The steps of each loop, in the order in which the rock goes round.
    loops: tuple[tuple[str, ...], ...]
    #: Streams that nothing takes: those that the sheet keeps, and the others.
    kept: tuple[str, ...]
    not_kept: tuple[str, ...]
    notes: tuple[Note, ...]

    def _headline(self) -> tuple[str, str]:
        counts = f"{self.steps} steps, {self.streams} streams, {len(self.loops)} loops, {len(self.notes)} notes"
        return f"Overview '{self.title}'", f"right, {counts}"

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            "ok": True,
            "mistakes": [],
            "steps": self.steps,
            "streams": self.streams,
            "loops": [list(loop) for loop in self.loops],
            "ends": {"kept": list(self.kept), "not_kept": list(self.not_kept)},
            "notes": texts(self.notes),
        }


def overview(sheet: Sheet) -> Overview:
    """Look a sheet over. Raises SheetError where nothing can leave a loop, which only a solve shows."""
    model = Model.of(sheet)
    solve(model)
    return Overview(
        title=sheet.title,
        file=sheet.file,
        steps=len(sheet.steps),
        streams=len(sheet.makers) + len(sheet.ores),
        classes=len(model.grid) if model.grid.sized else None,
        loops=tuple(tuple(stage.steps) for stage in model.stages if stage.is_loop),
        kept=tuple(sheet.keep),
        not_kept=tuple(stream for stream in sheet.ends if stream not in sheet.keep),
        notes=tuple(model.notes()),
    )
