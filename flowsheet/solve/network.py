"""The graph of a sheet: the order of its steps, its loops, and where a loop is cut open."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import networkx as nx

from flowsheet.spec.blocks.schema import Sheet


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


def _links(sheet: Sheet, names: Iterable[str]) -> nx.DiGraph[str]:
    """Return the graph of some steps, with its links in the order of the sheet."""
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
