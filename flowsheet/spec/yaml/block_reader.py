"""What reads the blocks of a document: all that readers of single blocks need to know of it."""

from __future__ import annotations

from typing import Any, Protocol

from flowsheet.spec.text.mistakes import Mistake
from flowsheet.spec.yaml.marked_document import Document, Path_


class BlockReader(Protocol):
    """What reads the blocks of a document."""

    document: Document
    mistakes: list[Mistake]

    def say(self, path: Path_, message: str, remedy: str, read: str | None = None, *, code: str) -> None:
        """Note a mistake."""

    def names(self, top: str, example: str) -> list[str]:
        """Return the names under a field of the sheet."""

    def block(self, model: type[Any], path: Path_) -> Any:
        """Return the block at a path."""
