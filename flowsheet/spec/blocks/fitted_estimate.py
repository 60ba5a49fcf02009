"""What ``flowsheet fit`` writes at the end of a sheet: the estimate that its weights left, in place of the weights.

A table of equally likely draws by name (numbers, slack, grains that lie together, the gold that each test held by the
way that it took), so that every answer comes out of the sheet as it came out of the weights. Its means and its
covariance stand there to be read; the draws themselves are the standard scores by name, in 24 bits each.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import math
import zlib
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BeforeValidator, Field

from flowsheet.spec.blocks.fields import Block, complaint
from flowsheet.spec.blocks.measurement import Measurement
from flowsheet.spec.text.wording import asking

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

CLUSTER = "cluster"
"""The name of how many grains lie together."""
GRAINS_OFF = "grains"
"""The name of how far, in standard deviations, the sizes of grains that the sheet says nothing of are off."""
CAUGHT = "caught"
"""How the ends are called at which loops hold gold, with their place behind it."""
WEIGHED, NEXT_TO_NONE, NOT_WEIGHED = "weighed", "next to none", "not weighed"
"""What a test may say of its gold."""
PLANES, STEPS = 3, 2**24 - 1
"""Bytes of a score, and steps between the least and the largest of a name."""


def again() -> str:
    """Return the cure for whatever is wrong with a block that nobody should write by hand."""
    return f"Write it anew: {asking('fit')}, of the sheet that this one was made of"


def way_name(test: str, stream: str, band: int) -> str:
    """Return the name of the gold (kg) of one ``band`` of rock sizes, 0 the coarsest, that a test had in an end."""
    return f"gold of band {band} in {stream}" + (f" ({test})" if test else "")


def _number(value: Any, *at: int) -> float:
    try:
        found = float(value)
    except (TypeError, ValueError):
        found = math.nan
    if not math.isfinite(found):
        raise complaint("a plain number is wanted here", again(), at, code="number_wanted")
    return found


def _numbers(value: Any) -> list[float]:
    return [_number(one, i) for i, one in enumerate(_rows(value))]


def _table(value: Any) -> list[list[float]]:
    return [[_number(one, i, k) for k, one in enumerate(_rows(row, i))] for i, row in enumerate(_rows(value))]


def _names(value: Any) -> list[str]:
    for i, one in enumerate(_rows(value)):
        if not isinstance(one, str):
            raise complaint("a name is wanted here", again(), (i,), code="name_wanted")
    return list(value)


def _texts(value: Any) -> dict[str, str]:
    if not isinstance(value, dict):
        raise complaint("numbers by name are wanted here", again(), code="fields_wanted")
    for name, one in value.items():
        if not isinstance(one, str):
            raise complaint("a number is wanted here, as the sheet writes it", again(), (name,), code="number_wanted")
    return dict(value)


def _rows(value: Any, *at: int) -> list[Any]:
    if not isinstance(value, list):
        raise complaint("a list is wanted here", again(), at, code="list_wanted")
    return value


def _word(value: Any) -> str:
    if not isinstance(value, str):
        raise complaint("one word is wanted here", again(), code="text_wanted")
    return value.strip()


Names = Annotated[list[str], BeforeValidator(_names)]
Texts = Annotated[dict[str, str], BeforeValidator(_texts)]
Numbers = Annotated[list[float], BeforeValidator(_numbers)]
Table = Annotated[list[list[float]], BeforeValidator(_table)]
Word = Annotated[str, BeforeValidator(_word)]
Plain = Annotated[float, BeforeValidator(_number)]


class FittedTest(Block):
    """One test of an estimate."""

    name: Word = Field(description="the weigh sheet's name; empty for the weights in the sheet itself")
    fed: Plain = Field(description="rock that it was fed, over that of the sheet")
    gold: Word = Field(
        description='"weighed" where a weight spoke of gold ("next to none" where it was below what the scale tells), '
        'else "not weighed"'
    )
    below: Names = Field([], description="streams whose metal was weighed, and was below what the scale tells")
    luck: Plain = Field(description="luck of the gold in one such sack (kg², the middle of the draws)")

    @property
    def told(self) -> bool:
        """Whether any of its weights spoke of gold."""
        return self.gold in (WEIGHED, NEXT_TO_NONE)

    @property
    def next_to_none(self) -> bool:
        """Whether what they found cannot be told from none."""
        return self.gold == NEXT_TO_NONE


class FittedPile(Block):
    """What several tests together told of their pile, as flowsheet lot has it: mean, sd, 5, 50 and 95 % points."""

    grade: Numbers = Field(description="grade of all its sacks together (as a fraction)")
    spread: Numbers = Field(description="how far one sack is off another, relative")


class FittedEstimate(Block):
    """The estimate that flowsheet fit made of the weights. It is read in their place; change nothing in it by hand."""

    of: Word = Field(description="SHA-256 of the sheet that was fitted, followed by its weigh sheets")
    weights: Word = Field(description="SHA-256 of all that was weighed, so that later weights are seen to be new")
    effective: Plain = Field(description="how many independent draws these are worth")
    openings: Numbers = Field(description="sizes (m), falling, that part the rock fed into bands")
    tests: list[FittedTest] = Field(description="the tests that were weighed")
    pile: FittedPile | None = Field(None, description="what several tests told of their pile")
    names: Names = Field(description="what is in doubt: numbers, slack, grains together, gold by the way it took")
    written: Texts = Field(description="how the sheet writes the numbers among them, so that a change is seen")
    mean: Numbers = Field(description="mean of each (kg, m, or as a fraction)")
    covariance: Table = Field(description="covariance of each two of them, a row a name")
    draws: Word = Field(description="the draws, as text that only the program reads")

    def table(self) -> dict[str, Array]:
        """Return the draws (D,) of each name, with the means and the covariance that stand there.

        Raises ValueError where the text holds no draws of as many names.
        """
        import numpy as np

        sd = np.sqrt(np.maximum(np.diag(np.array(self.covariance)), 0.0))
        return {
            name: mean + one * scores
            for name, mean, one, scores in zip(
                self.names, self.mean, sd, unpacked(self.draws, len(self.names)), strict=True
            )
        }


def digest(measured: Iterable[Measurement]) -> str:
    """Return one SHA-256 of all that was weighed, whatever it was read from."""
    told = [(m.test, m.stream, m.what, m.value, m.sd, m.size, m.assay_mass, m.by_size) for m in measured]
    return hashlib.sha256(repr(told).encode()).hexdigest()


def packed(scores: Sequence[Array]) -> str:
    """Return standard scores, (D,) a name, as text: lines of base 64."""
    import numpy as np

    table = np.stack(list(scores))
    low, high = table.min(axis=1), table.max(axis=1)
    steps = np.rint((table - low[:, None]) / np.maximum(high - low, 1e-300)[:, None] * STEPS).astype(np.uint32)
    planes = [(steps >> 8 * i & 255).astype(np.uint8).tobytes() for i in range(PLANES)]
    text = base64.b64encode(zlib.compress(b"".join(planes), 9)).decode()
    return "\n".join(text[i : i + 110] for i in range(0, len(text), 110))


def unpacked(text: str, names: int) -> Array:
    """Return the standard scores (names, D). Raises ValueError where the text does not hold those of as many names."""
    import numpy as np

    if not names:
        return np.zeros((0, 1))
    try:
        unzip = zlib.decompressobj()
        raw = unzip.decompress(base64.b64decode("".join(text.split()), validate=True), MOST_SCORES * PLANES)
    except (binascii.Error, zlib.error) as wrong:
        raise ValueError(str(wrong)) from None
    if not unzip.eof or not raw or len(raw) % (names * PLANES):
        raise ValueError("these are draws of other names")
    planes = np.frombuffer(raw, np.uint8).reshape(PLANES, names, -1).astype(np.float64)
    steps = sum(planes[i] * 256.0**i for i in range(PLANES))
    steps = steps - np.mean(steps, axis=1, keepdims=True)
    sd = np.std(steps, axis=1, keepdims=True)
    return np.asarray(np.divide(steps, sd, out=np.zeros_like(steps), where=sd > 0))


MOST_SCORES = 2_000_000
"""Scores of all names together, for a text that unfolds without end."""
