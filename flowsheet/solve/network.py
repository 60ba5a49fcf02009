"""The graph of a sheet: the order of its steps, its loops, and where a loop is cut open."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter
from heapq import heappop, heappush
from typing import TYPE_CHECKING

from flowsheet.spec.blocks.schema import Sheet

if TYPE_CHECKING:
    import networkx as nx


@dataclass(frozen=True)
class Stage:
    """Steps that are solved together: a single one, or a loop with its cuts.

    ``steps`` are in the order of flow once the ``cuts`` (streams that lead back) are opened.
    """

    steps: tuple[str, ...]
    cuts: tuple[str, ...] = ()

    @property
    def is_loop(self) -> bool:
        """Whether anything leads back."""
        return bool(self.cuts)


def stages(sheet: Sheet) -> list[Stage]:
    """Return the stages of a sheet in an order in which each finds its feed ready."""
    straight = _straight_on(sheet)
    if straight is not None:
        return [Stage((name,)) for name in straight]
    import networkx as nx

    graph = _links(sheet, sheet.steps)
    condensed = nx.condensation(graph)
    position = {name: i for i, name in enumerate(sheet.steps)}
    order = nx.lexicographical_topological_sort(
        condensed, key=lambda c: min(position[step] for step in condensed.nodes[c]["members"])
    )
    found = []
    for component in order:
        members = sorted(condensed.nodes[component]["members"], key=position.__getitem__)
        if len(members) == 1 and not graph.has_edge(members[0], members[0]):
            found.append(Stage((members[0],)))
        else:
            found.append(_cut_open(sheet, members))
    return found


def _straight_on(sheet: Sheet) -> list[str] | None:
    """Return the steps in the order of flow, those first that the sheet has first; None where anything leads back.

    Most sheets have no loop, and all that is known of graphs takes as long to load as all else that a run needs.
    """
    makers = sheet.makers
    place = {name: i for i, name in enumerate(sheet.steps)}
    order = TopologicalSorter({n: [makers[s] for s in step.takes if s in makers] for n, step in sheet.steps.items()})
    try:
        order.prepare()
    except CycleError:
        return None
    ready: list[tuple[int, str]] = []
    found: list[str] = []
    while order.is_active():
        for name in order.get_ready():
            heappush(ready, (place[name], name))
        found.append(heappop(ready)[1])
        order.done(found[-1])
    return found


def _links(sheet: Sheet, names: Iterable[str]) -> nx.DiGraph[str]:
    """Return the graph of some steps, with its links in the order of the sheet."""
    import networkx as nx

    takers = sheet.takers
    graph: nx.DiGraph[str] = nx.DiGraph()
    graph.add_nodes_from(names)
    for name in list(graph):
        for stream in sheet.steps[name].outlets.values():
            taker = takers.get(stream)
            if taker is not None and taker in graph:
                graph.add_edge(name, taker)
    return graph


def _cut_open(sheet: Sheet, members: list[str]) -> Stage:
    """Cut a loop at the streams that lead back to a step on the way from its entry.

    So the cut is the recycle as a miner sees it: the oversize that goes back to the mill.
    """
    import networkx as nx

    makers, takers, within = sheet.makers, sheet.takers, set(members)
    entry = next(m for m in members if any(makers.get(s) not in within for s in sheet.steps[m].takes))
    # Every step of a loop can be reached from its entry; in reverse postorder all links but those back go onward.
    order = list(nx.dfs_postorder_nodes(_links(sheet, members), entry))[::-1]
    place = {name: i for i, name in enumerate(order)}
    cuts = [
        stream
        for name in order
        for stream in sheet.steps[name].outlets.values()
        if place.get(takers.get(stream, ""), len(order)) <= place[name]
    ]
    return Stage(tuple(order), tuple(cuts))
