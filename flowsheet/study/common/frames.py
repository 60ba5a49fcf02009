"""Tables of a result as rows of plain data, and as frames where pandas is installed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

from flowsheet.spec.text.mistakes import did_you_mean
from flowsheet.study.common.notebook_result import Shown
from flowsheet.study.common.units_out import Names, Unit

if TYPE_CHECKING:
    from pandas import DataFrame

Row: TypeAlias = dict[str, Any]
Tables: TypeAlias = Mapping[str, Callable[[], Iterable[Row]]]

AS_THEY_ARE: Names = {}
"""Shares, counts and words, which have no unit."""


class Tabled(Shown):
    """A result that has tables. Columns are called as the attributes are, and the end of a name says the unit.

    Units are those of ``as_dict``, in which people weigh: ``_kg`` of rock, ``_g`` of gold, ``_mm``, ``_cm2``,
    ``_g_per_t``, ``_g_per_cm3``, ``_deg``. Where rows differ in it, a column ``unit`` (or ``currency``) says it. All
    else is shares (parts of one), counts and words. What is not known is None or NaN. An interval makes several
    columns: ``gain_p5_g``, ``gain_p95_g``.
    """

    def _tables(self) -> Tables:
        """Return name → what makes the rows, the table that is most asked for first."""
        raise NotImplementedError

    @property
    def tables(self) -> tuple[str, ...]:
        """The names of its tables, for ``to_rows`` and ``to_frame``; the first is what they give unless told."""
        return tuple(self._tables())

    def to_rows(self, table: str = "") -> list[Row]:
        """Return one of its ``tables`` as a list of dicts, one a row. Raises ValueError with the nearest name.

        >>> import flowsheet as fs
        >>> run = fs.run("sack3.yaml", certain=False)
        >>> run.tables
        ('streams', 'sizes', 'losses', 'coarse', 'finer', 'advice', 'sieved')
        >>> [(row["stream"], round(row["gold_g"], 3)) for row in run.to_rows() if row["fate"] == "kept"]
        [('specimens', 0.021), ('bead', 0.252)]
        """
        known = self._tables()
        name = table or next(iter(known))
        if name not in known:
            raise ValueError(f'there is no table "{table}". {did_you_mean(table, known, "tables")}')
        return list(known[name]())

    def to_frame(self, table: str = "") -> DataFrame:
        """Return one of its ``tables`` as a pandas frame. Raises ImportError where pandas is not installed.

        >>> import flowsheet as fs
        >>> fs.run("sack3.yaml", certain=False).to_frame("sizes").columns.tolist()
        ['stream', 'upper_mm', 'lower_mm', 'light_kg', 'heavy_kg', 'free_g', 'locked_g']
        """
        rows = self.to_rows(table)
        try:
            from pandas import DataFrame
        except ImportError as wrong:
            cure = "Install it: pip install pandas. Or take to_rows(), which needs nothing."
            raise ImportError(f"frames need pandas, which cannot be loaded ({wrong}). {cure}", name="pandas") from wrong
        return DataFrame(rows)


def row(thing: Any, names: Names = AS_THEY_ARE, deep: bool = True) -> Row:
    """Return the numbers and words of a dataclass, its fields by ``names``; ``deep``: with those inside it too.

    What is inside has the unit of its field, and the name says it last: ``gain_p5_g``.
    """
    found: Row = {}
    for field in fields(thing):
        value = getattr(thing, field.name)
        name, unit = names.get(field.name, (field.name, None))
        if value is None or isinstance(value, (str, int, float, bool)):
            found[name] = value if value is None or unit is None else unit(value)
        elif deep and is_dataclass(value):
            found |= parts(value, field.name, name.removeprefix(field.name), unit)
    return found


def parts(thing: Any, name: str, ending: str = "", unit: Unit | None = None) -> Row:
    """Return the numbers of a dataclass that is one amount (an interval, say), as ``gain_p5_g``: name, part, ending."""
    return {
        f"{name}_{field.name}{ending}": value if value is None or unit is None else unit(value)
        for field in fields(thing)
        if (value := getattr(thing, field.name)) is None or isinstance(value, (int, float))
    }


def rows(things: Mapping[str, Any] | Iterable[Any], first: str = "", names: Names = AS_THEY_ARE) -> Iterable[Row]:
    """Go through dataclasses as rows, fields by ``names``; of a mapping, its keys are the column ``first``."""
    if isinstance(things, Mapping):
        return ({first: name, **row(one, names)} for name, one in things.items())
    return (row(one, names) for one in things)
