"""The graph of a sheet: the order of its steps, its loops, and where a loop is cut open."""

from __future__ import annotations

from dataclasses import dataclass

import networkx as nx

from flowsheet.spec.schema import Sheet


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
    graph = nx.DiGraph()
    graph.add_nodes_from(sheet.steps)
    makers = sheet.makers
    links = {(makers[s], step): s for step in sheet.steps for s in sheet.steps[step].takes if s in makers}
    graph.add_edges_from(links)
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


def _cut_open(sheet: Sheet, members: list[str]) -> Stage:
    """Cut a loop at the streams that lead back to a step on the way from its entry.

    So the cut is the recycle as a miner sees it: the oversize that goes back to the mill.
    """
    makers = sheet.makers
    entries = [m for m in members if any(makers.get(s) not in members for s in sheet.steps[m].takes)]
    inside = {
        stream: taker for stream, taker in sheet.takers.items() if makers.get(stream) in members and taker in members
    }
    cuts: list[str] = []
    order: list[str] = []
    state: dict[str, str] = {}

    def visit(step: str) -> None:
        state[step] = "open"
        for stream in sheet.steps[step].outlets.values():
            following = inside.get(stream)
            if following is None:
                continue
            if state.get(following) == "open":
                cuts.append(stream)
            elif following not in state:
                visit(following)
        state[step] = "done"
        order.append(step)

    for step in [*entries, *members]:
        if step not in state:
            visit(step)
    return Stage(tuple(reversed(order)), tuple(cuts))
