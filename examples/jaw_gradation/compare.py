"""Set the crusher's product beside the published gradation. Run: python examples/jaw_gradation/compare.py

Published: US Army Corps of Engineers subcourse EN5464, Rock Crushing Operations, Lesson 2, Table 8
(2 1/4 in setting, open circuit).
"""

from pathlib import Path

import flowsheet as fs

INCH = 0.0254
PUBLISHED = {2.25: 85, 2.0: 78, 1.75: 70, 1.5: 63, 1.25: 55, 1.0: 46, 0.875: 41, 0.75: 35}


def passing(sheet: Path) -> dict[float, float]:
    """Return the percentage of the product that passes each published sieve."""
    rows = fs.run(sheet, certain=False).streams["crushed"].sizes
    total = sum(row.light + row.heavy for row in rows)
    return {
        inch: 100 * sum(row.light + row.heavy for row in rows if row.upper <= inch * INCH + 1e-9) / total
        for inch in PUBLISHED
    }


def main() -> None:
    """Print both gradations and the gap between them."""
    print("sieve, in   published, %   ours, %   gap")
    ours = passing(Path(__file__).with_name("jaw.yaml"))
    for inch, share in PUBLISHED.items():
        print(f"{inch:9g}   {share:12d}   {ours[inch]:7.1f}   {ours[inch] - share:+4.1f}")
    print(f"largest gap: {max(abs(ours[i] - PUBLISHED[i]) for i in PUBLISHED):.1f} points")


if __name__ == "__main__":
    main()
