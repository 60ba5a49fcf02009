"""The part of a report that holds what was weighed against what balances."""

from __future__ import annotations

from collections.abc import Iterator

from flowsheet.show.balance import reconciled, sieved, weight_pictures
from flowsheet.show.report.facts import Facts
from flowsheet.show.run import run_tables
from flowsheet.show.text.content import Section
from flowsheet.spec.text.notes import texts
from flowsheet.study.balance.result import Reconciled

HEAD = "Weighed against adjusted"


def weights(facts: Facts) -> Iterator[Section]:
    """Give a section for each test that is told, or one that says what to weigh."""
    if not facts.tests:
        yield Section("weights", HEAD, lines=(facts.why_no_weights,))
        return
    several = len(facts.tests) + facts.more_tests > 1
    for at, (test, found) in enumerate(facts.tests.items()):
        name = f": {test or 'the sheet itself'}" if several else ""
        last = at == len(facts.tests) - 1
        yield _test(f"weights-{at + 1}" if at else "weights", f"{HEAD}{name}", found, _rest(facts) if last else ())
    against = run_tables.weighed(facts.run)
    yield Section("weighed", against.title, grids=(against,), folded=True)


def _rest(facts: Facts) -> tuple[str, ...]:
    """Say which commands tell of the tests that are not told here."""
    more = facts.more_tests
    if not more:
        return ()
    tests = f"{more} tests more are" if more > 1 else "One test more is"
    return (
        f"{tests} not told here: flowsheet reconcile {facts.file} tells each, flowsheet lot {facts.file} joins them.",
    )


def _test(key: str, head: str, found: Reconciled, rest: tuple[str, ...]) -> Section:
    grids = [reconciled.weights(found), reconciled.streams(found)]
    without = reconciled.streams_without(found)
    if without is not None:
        grids.append(without)
    grids += sieved.grids(found.sieved)
    if found.to_know:
        grids.append(reconciled.unknown(found))
    lines = [f"{question}\n{answer}" for question, answer in reconciled.answers(found)]
    picture = weight_pictures.weights_moved(found)
    return Section(
        key,
        head,
        lines=(*lines, *rest),
        pictures=(picture,) if picture is not None else (),
        grids=tuple(grids),
        items=tuple(texts(found.notes)),
    )
