"""The shape of a sheet: what each block may hold. (What it must mean is in ``checks``.)"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import BeforeValidator, ConfigDict, Discriminator, Field, Tag

from flowsheet.spec.blocks.costs_and_sales import Worth
from flowsheet.spec.blocks.factors import LEAST_SIEVE, MOST_SIEVE
from flowsheet.spec.blocks.fields import (
    TYPICAL,
    Block,
    Fineness,
    Grade,
    Length,
    Mass,
    Plain,
    Share,
    Sieve,
    Signed,
    complaint,
    knob,
)
from flowsheet.spec.blocks.fitted_estimate import FittedEstimate
from flowsheet.spec.blocks.grain_doubts import CLUSTERS, GrainDoubts, clusters_of, doubts_of
from flowsheet.spec.blocks.measurement import Measurement
from flowsheet.spec.blocks.pile import Pile
from flowsheet.spec.blocks.step import StepBlock, a_line
from flowsheet.spec.blocks.weighed_fields import FractionsField, GradesField, GrainsField, PassingField
from flowsheet.spec.text.brief import one_line
from flowsheet.spec.text.notes import Note
from flowsheet.spec.text.renderers import rendered
from flowsheet.spec.text.source_files import SourceFiles
from flowsheet.spec.yaml.marked_document import Document
from flowsheet.spec.yaml.settings import with_settings

#: The fields of a sheet, and what each is for.
TOP_FIELDS: dict[str, str] = {
    "title": "what the sheet is about",
    "ore": "the feed, where there is one",
    "ores": "the feeds by name, where there are several",
    "steps": "what is done, by the name of each step",
    "keep": "the streams that are yours in the end",
    "weighed": "what was weighed and assayed, by stream",
    "pile": "the pile that the ore comes from, for plan and lot",
    "prices": "what things sell for, as 100 USD/g",
    "costs": "what each step costs, by its name, and the price of power",
    "sells": "how streams are sold, by a name of yours for each way",
    "sieves": "openings that you want to be told of besides those of the steps",
    "fitted": "the estimate that flowsheet fit wrote, read in place of the weights; not for you to write",
}


class SizeLaw(Block):
    """A size law: Gates-Gaudin-Schuhmann (the default) or Rosin-Rammler."""

    law: Literal["gates_gaudin_schuhmann", "rosin_rammler"] = Field(
        "gates_gaudin_schuhmann", description="the law that the sizes follow"
    )
    top: Length | None = knob(None, "the largest piece: everything passes this size", low=1e-5, high=5.0, like="100 mm")
    p80: Length | None = knob(None, "the size that 80 % of the mass passes", low=1e-6, high=5.0, like="60 mm")
    x63: Length | None = knob(None, "Rosin-Rammler's size, which 63.2 % passes", low=1e-6, high=5.0, like="40 mm")
    slope: Plain = knob("0.7", "the law's exponent", source=TYPICAL, low=0.05, high=10.0)


class SieveRow(Block):
    """One sieve of a sieve table."""

    sieve: Sieve = knob(
        None, 'the sieve\'s opening, or "pan" for the last row', low=LEAST_SIEVE, high=MOST_SIEVE, required=True
    )
    passing: Share = knob(None, "share of the mass that passes it", low=0.0, high=1.0, required=True)
    grade: Grade | None = knob(None, "grade of what stays on it (and passed the one above)", low=0.0, high=1.0)


class GrainRow(Block):
    """One size of a table of gold grains."""

    sieve: Length = knob(None, "grain size", low=1e-7, high=0.5, required=True, like="0.5 mm")
    passing: Share = knob(None, "share of the gold in finer grains", low=0.0, high=1.0, required=True, like="60 %")


class Nuggets(Block):
    """A part of the gold that lies in much larger grains than the rest, and is spread as widely about its own size."""

    share: Share = knob(None, "share of the gold that is in nuggets", low=0.0, high=1.0, required=True, like="20 %")
    d50: Length = knob(
        None, "half of that is in nuggets finer than this", low=1e-7, high=0.5, required=True, like="4 mm"
    )


class Gold(Block):
    """The gold grains of an ore, by mass."""

    d50: Length | None = knob(None, "half of the gold is in grains finer than this", low=1e-7, high=0.5, like="0.35 mm")
    d95: Length | None = knob(None, "95 % of the gold is in grains finer than this", low=1e-7, high=0.5, like="1.6 mm")
    sizes: list[GrainRow] | None = Field(None, description="a table of grain sizes in place of d50 and d95")
    nuggets: Nuggets | None = Field(None, description="a second size of grains; d50 and d95 are then those of the rest")
    fineness: Fineness = knob(
        "900",
        "parts of gold in a thousand of the grain; the rest is silver",
        source=TYPICAL,
        low=1.0,
        high=1000.0,
    )
    detach: Share = knob(
        "1",
        "share of what breaking could free that it does free (locked share = 1 - detach (1 - lattice share))",
        source="1: Gaudin's lattice as it stands (Principles of Mineral Dressing, 1939)",
        low=0.0,
        high=1.0,
    )
    cluster: Plain | None = knob(
        None,
        f"how many grains lie together; where nothing is said, {CLUSTERS} ({TYPICAL})",
        low=1.0,
        high=1e6,
        like="5",
        only_estimated=True,
    )

    def doubts(self) -> GrainDoubts:
        """Return how far the sizes of the grains may be off: what the sheet says (±), else what is typical.

        The size of nuggets is told apart, with its own ± if it has one.
        """
        rows = [number for row in self.sizes or () for number in (row.sieve, row.passing)]
        return doubts_of(self.d50, self.d95, rows)

    def cluster_law(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Return how many grains may lie together, and the chance of each; the chances make one."""
        return clusters_of(self.cluster)


def _sizes_kind(value: Any) -> str:
    return "sieve table" if isinstance(value, list) else "size law"


def _law_or_table(value: Any) -> Any:
    if value is None or isinstance(value, (dict, list, Block)):
        return value
    raise complaint(
        "sizes are a law or a sieve table", "Write sizes: {top: 100 mm, p80: 60 mm, slope: 0.7}", code="sizes_wanted"
    )


# The tags turn up in pydantic's locations of errors, so they are no name of a field.
Sizes: TypeAlias = Annotated[
    Annotated[SizeLaw, Tag("size law")] | Annotated[list[SieveRow], Tag("sieve table")], Discriminator(_sizes_kind)
]


class Ore(Block):
    """A feed: its mass and grade, and what is known of its pieces and of its gold."""

    mass: Mass = knob(None, "mass of the feed, dry", low=1e-9, high=1e9, required=True)
    grade: Grade | None = knob(None, "gold in the feed; a guess will do", low=0.0, high=1.0)
    sizes: Annotated[Sizes | None, BeforeValidator(_law_or_table)] = Field(
        None, description="sizes of the pieces: a law or a sieve table"
    )
    heavies: Share = knob("0 %", "share of sulphides and oxides, by mass", source=TYPICAL, low=0.0, high=1.0)
    gold: Gold | None = Field(None, description="sizes of the gold grains")
    tilt: Signed = knob(
        "0 ± 0.45",
        "how richness goes with rock size: the grade rises as size^tilt above 1 mm, and is even below",
        source=f"even; veins that are three times richer in coarse rock, or a third as rich, are known: {TYPICAL}",
        low=-3.0,
        high=3.0,
        only_estimated=True,
    )


def _screen_assay(value: Any) -> Any:
    if isinstance(value, (dict, Block)):
        return value
    like = "{plus: 12.1 g, plus_gold: 3.2 mg, minus: 480 g, minus_grades: [3.1 g/t, 2.9 g/t]}"
    raise complaint(
        "the parts of a screen assay are wanted here", f"Write metallics: {like}", code="screen_assay_wanted"
    )


class Metallics(Block):
    """A screen assay: what stayed on a fine sieve is assayed whole, what passed it is assayed in parts."""

    # Fields that are missing are told by name in ``check_weighed``, in the words of the file they belong to.
    model_config = ConfigDict(json_schema_extra={"required": ["plus", "plus_gold", "minus", "minus_grades"]})

    plus: Mass | None = knob(None, "mass of what stayed on the sieve", low=0.0, high=1e6, like="12.1 g")
    plus_gold: Mass | None = knob(None, "fine gold in all that stayed on the sieve", low=0.0, high=1e6, like="3.2 mg")
    minus: Mass | None = knob(None, "mass of what passed the sieve", low=1e-9, high=1e6, like="480 g")
    minus_grades: GradesField | None = Field(None, description="assays of what passed the sieve, one or more")


class Weighed(Block):
    """What was measured of one stream."""

    mass: Mass | None = knob(None, "mass, dry unless there is a moisture", low=0.0, high=1e9)
    grade: Grade | None = knob(None, "assay", low=0.0, high=1.0)
    assay_mass: Mass | None = knob(
        None, f"mass that the assay takes of it; left out, 30 g ({TYPICAL})", low=1e-6, high=1e3, like="30 g"
    )
    gold: Mass | None = knob(None, "fine gold in it", low=0.0, high=1e6, like="24 mg")
    bead: Mass | None = knob(None, "mass of a bead (metal) made from it", low=0.0, high=1e6, like="0.27 g")
    picked_metal: Mass | None = knob(
        None,
        "metal taken out of it by hand and kept; all else is then of what was left",
        low=0.0,
        high=1e6,
        like="0.14 g",
    )
    passing: PassingField | None = Field(None, description="share of the mass that passes each sieve")
    sizes: FractionsField | None = Field(
        None, description="what stayed on each sieve, coarse to pan, and the grade of each fraction"
    )
    grains: GrainsField | None = Field(
        None, description='gold grains counted, all of them or by least size ("+0.3 mm")'
    )
    moisture: Share | None = knob(None, "water in the mass, as a share of it", low=0.0, high=1.0, like="2 %")
    metallics: Annotated[Metallics | None, BeforeValidator(_screen_assay)] = Field(
        None, description="a screen assay, which makes one grade"
    )
    when: Annotated[str | None, BeforeValidator(a_line)] = Field(None, description="when it was measured")
    note: Annotated[str | None, BeforeValidator(a_line)] = Field(None, description="anything you want to remember")

    @property
    def fractions_graded(self) -> bool:
        """Whether what stayed on the sieves was assayed."""
        return any(row.grade is not None for row in self.sizes or ())


@dataclass(frozen=True)
class Sheet:
    """A sheet that fits the schema and means something; steps are of their own kinds.

    ``read`` and ``parse`` make it, with every number in SI; nothing changes it. ``ores`` and ``steps`` are by name,
    ``keep`` names the streams that are kept, ``weighed`` holds what was measured. ``with_`` sets fields anew.

    >>> import flowsheet as fs
    >>> sheet = fs.read("sack3.yaml")
    >>> sheet
    <Sheet 'Quillfeather dump, sack 3': ore 14.2 kg ± 20 g, 8 steps, keeps bead, specimens>
    >>> sheet.steps["scalp"].opening.value
    0.02
    """

    file: str
    title: str
    ores: dict[str, Ore]
    steps: dict[str, StepBlock]
    keep: tuple[str, ...]
    #: Of the sheet itself and of its weigh sheets, in their order.
    weighed: tuple[Measurement, ...] = ()
    worth: Worth = field(default_factory=Worth)
    sieves: tuple[float, ...] = ()
    pile: Pile | None = None
    #: What ``fit`` wrote: it is read in place of the weights.
    fitted: FittedEstimate | None = None
    notes: tuple[Note, ...] = ()
    #: Step → the line and column of its name, where it stands in the file.
    places: dict[str, tuple[int, int]] = field(default_factory=dict)
    #: What it was built from, and how it is built of another; None where it was put together by hand.
    document: Document | None = field(default=None, compare=False)
    build: Callable[[Document], Sheet] | None = field(default=None, compare=False)

    def __repr__(self) -> str:
        ores = ", ".join(f"{name} {ore.mass}" for name, ore in self.ores.items())
        return one_line(f"Sheet '{self.title}'", f"{ores}, {len(self.steps)} steps, keeps {', '.join(self.keep)}")

    def _repr_html_(self) -> str | None:
        return rendered("html", self)

    def field_of(self, ore: str) -> str:
        """Return how the sheet calls an ore: "ore" where it is the only one, else "ores.NAME"."""
        return "ore" if list(self.ores) == ["ore"] else f"ores.{ore}"

    def with_(self, settings: Mapping[str, str]) -> Sheet:
        """Return the sheet as it was read with fields set anew; this one stays as it is.

        ``settings``: field → value, both as text and as the sheet would have them: ``{"scalp.opening": "12 mm",
        "ore.grade": "10 g/t ± 3 g/t"}``. Raises SheetError for a field that is not there (with the nearest one), a
        value that cannot be, and what is wrong with the sheet as a whole then.

        >>> import flowsheet as fs
        >>> sheet = fs.read("sack3.yaml")
        >>> sheet.with_({"scalp.opening": "12 mm"}).steps["scalp"].opening.value
        0.012
        """
        if self.document is None or self.build is None:
            raise TypeError("this sheet was put together by hand; make one with flowsheet.read or flowsheet.parse")
        return self.build(with_settings(self.document, settings))

    #: The files that it was read from.
    sources: SourceFiles = field(default_factory=SourceFiles)

    @cached_property
    def openings(self) -> frozenset[float]:
        """The sizes (m) that its steps name, each of which must be a class limit; gathered once a sheet."""
        return frozenset(size for step in self.steps.values() for size in step.openings())

    @property
    def makers(self) -> dict[str, str]:
        """Stream → the step that gives it."""
        return {stream: name for name, step in self.steps.items() for stream in step.outlets.values()}

    @property
    def takers(self) -> dict[str, str]:
        """Stream → the step that takes it."""
        return {stream: name for name, step in self.steps.items() for stream in step.takes}

    @property
    def ends(self) -> list[str]:
        """Streams that nothing takes, in the order of the sheet."""
        takers = self.takers
        return [stream for stream in (*self.ores, *self.makers) if stream not in takers]
