"""Fields of a document set anew, as text, by the names that a miner gives them: ``scalp.opening``, ``ore.grade``."""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from typing import Any

from flowsheet.spec.text.mistakes import SETTINGS, Mistake, SheetError, did_you_mean
from flowsheet.spec.text.wording import argument, setting
from flowsheet.spec.yaml.marked_document import Document


def with_settings(document: Document, settings: Mapping[str, str]) -> Document:
    """Return the document with fields set anew: ``{"scalp.opening": "12 mm", "ore.grade": "10 g/t"}``.

    A path starts at a step's name, or at a field of the sheet. Raises SheetError for a path that leads
    nowhere.
    """
    told = {**document.settings, **settings}
    changed = Document(
        document.file, copy.deepcopy(document.data), text=document.text, settings=told, changed=True, raw=document.raw
    )
    for name, value in settings.items():
        _set(changed.data, name, _path_of(document, name), value)
    return changed


def _set(data: dict[str, Any], name: str, path: Sequence[str], value: str) -> None:
    node: Any = data
    for depth, part in enumerate(path):
        at: Any = part
        if isinstance(node, list):
            at = int(part) if part.isdecimal() and len(part) < 6 else len(node)
            if at >= len(node):
                rows = f"Rows run from 0 to {len(node) - 1}" if node else "There are no rows"
                raise _setting_fault(name, f'there is no row "{part}"', rows, code="row_unknown")
        elif not isinstance(node, dict):
            raise _setting_fault(
                name, f'"{path[depth - 1]}" has no fields of its own', "Set it as a whole", code="no_fields_within"
            )
        if depth == len(path) - 1:
            node[at] = value
        elif isinstance(node, dict) and node.get(at) is None:
            node[at] = node = {}
        else:
            node = node[at]


def _path_of(document: Document, name: str) -> list[str]:
    parts = name.strip().split(".")
    steps = document.data.get("steps")
    steps = steps if isinstance(steps, dict) else {}
    if parts[0] in steps:
        parts = ["steps", *parts]
    top = parts[0]
    if top not in ("ore", "ores", "steps"):
        known = [*steps, *(feed for feed in ("ore", "ores") if feed in document.data)]
        raise _setting_fault(name, f'there is no step "{top}"', did_you_mean(top, known, "steps"), code="step_unknown")
    if top not in document.data:
        like = "ores.NAME.grade" if top == "ore" else "ore.grade"
        raise _setting_fault(name, f'the sheet has no "{top}"', f"Write {setting(like, '10g/t')}", code="field_unknown")
    if len(parts) < (2 if top == "ore" else 3):
        raise _setting_fault(
            name,
            "this names no field",
            f"Write {setting('step.field', 'value')}, as {setting('scalp.opening', '12mm')}",
            code="setting_names_no_field",
        )
    block = document.data[top]
    if top != "ore" and isinstance(block, dict) and parts[1] not in block:
        raise _setting_fault(
            name, f'there is no "{parts[1]}"', did_you_mean(parts[1], block, top), code="field_unknown"
        )
    return parts


def _setting_fault(name: str, message: str, remedy: str, code: str) -> SheetError:
    return SheetError([Mistake(message, remedy, field=name, file=argument(SETTINGS), code=code)])
