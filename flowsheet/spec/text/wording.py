"""Words that every room shares."""

from __future__ import annotations

from collections.abc import Sequence


def listed(parts: Sequence[str], joint: str = "and") -> str:
    """Return "a, b and c", "" of nothing."""
    return f"{', '.join(parts[:-1])} {joint} {parts[-1]}" if len(parts) > 1 else "".join(parts)
