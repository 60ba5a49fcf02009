"""Commands that are killed while they write: no file is damaged, and what is of two runs is told by the next one."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

SCRIPT = Path(__file__).with_name("killing.py")
pytestmark = pytest.mark.skipif(os.name != "posix", reason="there is no SIGKILL")


def killed(folder: Path, count: int, *commands: str) -> list[dict[str, Any]]:
    arguments = [sys.executable, SCRIPT, str(count), "1", *commands]
    done = subprocess.run(arguments, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    found = [json.loads(line) for line in done.stdout.splitlines()]
    assert [one["command"] for one in found] == list(commands)
    return found


@pytest.mark.slow
def test_a_killed_drawing_is_the_old_one_or_the_new_one(tmp_path: Path) -> None:
    (found,) = killed(tmp_path, 4, "dot")
    assert (found["kills"], found["damaged"], found["untold"]) == (4, 0, 0)


@pytest.mark.slow
def test_240_kills_damage_no_file_and_leave_no_mixture_untold(tmp_path: Path) -> None:
    found = killed(tmp_path, 40, "run", "draw", "fit", "report", "label", "try")
    columns = ("command", "files", "kills", "late", "old", "new", "mixed", "damaged", "untold")
    print("\n" + "  ".join(f"{name:>8}" for name in columns))
    for one in found:
        print("  ".join(f"{one[name]:>8}" for name in columns))
    total = {name: sum(one[name] for one in found) for name in columns[1:]}
    print(f"{total['kills']} kills, {total['damaged']} files damaged, {total['mixed']} folders of two runs, "
          f"{total['untold']} untold")  # fmt: skip
    assert total["kills"] == 240
    assert total["damaged"] + total["untold"] == 0
    # Else the kills missed the moment: some come while files are moved into place.
    assert total["mixed"] > 0
    assert all(one["old"] + one["mixed"] > 0 for one in found)
