"""The files that a sheet was read from, and one digest of all that stood in them."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True)
class SourceFiles:
    """Each file with the bytes that were read from it: the sheet itself first, then its weigh sheets in their order."""

    read: tuple[tuple[Path, bytes], ...] = field(default=(), repr=False)
    #: Files that were named beside these and left out, readable or not: no part of the digest, but somebody's.
    left: tuple[Path, ...] = field(default=(), repr=False)

    @property
    def paths(self) -> tuple[Path, ...]:
        """Where they lie."""
        return tuple(path for path, _ in self.read)

    @property
    def never_written(self) -> tuple[Path, ...]:
        """Every file that nothing is written over: those that were read, then those that were left out."""
        return tuple(dict.fromkeys((*self.paths, *self.left)))

    @property
    def sha256(self) -> str | None:
        """One digest of all their bytes, one file behind the other; None where nothing was read."""
        if not self.read:
            return None
        digest = hashlib.sha256()
        for _, raw in self.read:
            digest.update(raw)
        return digest.hexdigest()
