"""Tables of a result as rows of plain data, and as frames where pandas is installed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

from flowsheet.spec.text.mistakes import did_you_mean
from flowsheet.study.common.notebook_result import Shown

if TYPE_CHECKING:
    from pandas import DataFrame

Row: TypeAlias = dict[str, Any]
Tables: TypeAlias = Mapping[str, Callable[[], Iterable[Row]]]


class Tabled(Shown):
    """A result that has tables. Columns are called as the attributes are, and hold the same numbers.

    That is kg, m and kg/kg unless a name says its unit. What is not known is None or NaN. An interval makes several
    columns: ``gain_p5``, ``gain_p95``.
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
        >>> [row["stream"] for row in run.to_rows() if row["fate"] == "kept"]
        ['specimens', 'bead']
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
        ['stream', 'upper', 'lower', 'light', 'heavy', 'free', 'locked']
        """
        rows = self.to_rows(table)
        try:
            from pandas import DataFrame
        except ImportError as wrong:
            cure = "Install it: pip install pandas. Or take to_rows(), which needs nothing."
            raise ImportError(f"frames need pandas, which cannot be loaded ({wrong}). {cure}", name="pandas") from wrong
        return DataFrame(rows)


def row(thing: Any, within: str = "", deep: bool = True) -> Row:
    """Return the numbers and words of a dataclass by name; ``deep``: with those inside it, as ``gain_p5``."""
    found: Row = {}
    for field in fields(thing):
        value, name = getattr(thing, field.name), f"{within}{field.name}"
        if value is None or isinstance(value, (str, int, float, bool)):
            found[name] = value
        elif deep and is_dataclass(value):
            found |= row(value, f"{name}_")
    return found


def rows(things: Mapping[str, Any] | Iterable[Any], first: str = "") -> Iterable[Row]:
    """Go through dataclasses as rows; of a mapping, its keys are the column ``first``."""
    if isinstance(things, Mapping):
        return ({first: name, **row(one)} for name, one in things.items())
    return (row(one) for one in things)
