"""What stayed on each sieve: no second sieving and no second grade stands beside it."""

from __future__ import annotations

from collections.abc import Iterator

from flowsheet.spec.checks.draft import Draft
from flowsheet.spec.text.mistakes import Mistake
from flowsheet.spec.weights.weighed_test import WeighedTest


def sizes_stand_alone(draft: Draft) -> Iterator[Mistake]:
    """What stayed on each sieve tells what passes it, and its grades tell that of all."""
    for test in draft.weighed:
        for stream, block in test.blocks.items():
            if block.sizes is not None:
                yield from _beside(test, stream, block.fractions_graded)


def _beside(test: WeighedTest, stream: str, graded: bool) -> Iterator[Mistake]:
    path, blocks = test.path(stream, "sizes"), [half.blocks[stream] for half in test.halves if stream in half.blocks]
    if any(block.passing for block in blocks):
        message = "what stayed on each sieve and what passes it are two sievings of one stream"
        yield test.document.block_mistake(path, message, "Keep one of the two", code="two_sievings")
    if graded and any(block.grade is not None or block.metallics is not None for block in blocks):
        message = "the grades of its fractions and the grade are two grades of one stream"
        yield test.document.block_mistake(path, message, "Keep one of the two", code="two_grades")
