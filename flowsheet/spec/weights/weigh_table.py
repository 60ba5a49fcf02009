"""What a weigh sheet may tell, and a weigh sheet as a document: its fields by stream, and where each stands."""

from __future__ import annotations

from dataclasses import dataclass, field

from flowsheet.spec.blocks.weighed_fields import ALL
from flowsheet.spec.text import units
from flowsheet.spec.text.mistakes import Mistake
from flowsheet.spec.text.notes import NOTHING, Subject
from flowsheet.spec.text.table_cells import Cell
from flowsheet.spec.yaml.marked_document import Document, Path_

NEEDED = ("stream", "what", "value")
COLUMNS = (*NEEDED, "unit", "sd", "when", "note")

#: What a line may tell → the field of a sheet that it fills, and its dimension.
PLAIN: dict[str, tuple[tuple[str, ...], units.Dimension]] = {
    "mass": (("mass",), units.MASS),
    "grade": (("grade",), units.GRADE),
    "assay mass": (("assay_mass",), units.MASS),
    "gold": (("gold",), units.MASS),
    "bead": (("bead",), units.MASS),
    "picked metal": (("picked_metal",), units.MASS),
    "moisture": (("moisture",), units.SHARE),
    "plus mass": (("metallics", "plus"), units.MASS),
    "plus gold": (("metallics", "plus_gold"), units.MASS),
    "minus mass": (("metallics", "minus"), units.MASS),
    "minus grade": (("metallics", "minus_grades"), units.GRADE),
    "grains": (("grains", ALL), units.COUNT),
}
#: The same for what carries a size behind it.
SIZED = {"passing": ("150 um", units.SHARE), "grains": ("+0.3 mm", units.COUNT)}
#: What stayed on a sieve: "mass on 1 mm", "grade on pan".
ON_SIEVE = {"mass": units.MASS, "grade": units.GRADE}
KNOWN = [*PLAIN, *(f"{name} on 1 mm" for name in ON_SIEVE), *(f"{name} {size}" for name, (size, _) in SIZED.items())]

MEASURED_TWICE = "measured_twice"
"""Code of the mistake that a line tells what another (its subject) tells already."""
REPLICATES = "minus_grades"
SD = "sd"
"""Behind the path of a number: where its doubt stands, if in a field of its own."""


@dataclass
class WeighSheet(Document):
    """A weigh sheet as a document: streams, each with the fields of ``weighed``; numbers are read already."""

    texts: dict[Path_, str] = field(default_factory=dict)
    names: dict[Path_, str] = field(default_factory=dict)
    remarks: dict[Path_, tuple[str, str]] = field(default_factory=dict)
    #: What is wrong with its lines.
    mistakes: list[Mistake] = field(default_factory=list)
    #: Fields that could not be read.
    hurt: set[Path_] = field(default_factory=set)

    def text_at(self, path: Path_) -> str | None:
        """Return what stands in the field that tells ``path``."""
        return self.texts.get(path)

    def field_at(self, path: Path_) -> str:
        """Return the words of the line that tells ``path``: "tails, plus gold"."""
        return self.names.get(path) or ", ".join(map(str, path))

    def remarks_at(self, path: Path_) -> tuple[str, str]:
        """Return when it was measured, and the note beside it."""
        return self.remarks.get(path, ("", ""))

    def say(
        self, cell: Cell, message: str, remedy: str, name: str = "", *, code: str, subject: Subject = NOTHING
    ) -> None:
        """Note a mistake in a field."""
        place = (self.file, cell.line, cell.column)
        self.mistakes.append(Mistake(message, remedy, name, cell.text or None, *place, code=code, subject=subject))
