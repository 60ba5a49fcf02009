"""Two hundred clients at once, for half a minute: no error, and no weight lost."""

from __future__ import annotations

import asyncio
import json
import random
import re
import statistics
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from served import HOST, Served, serving

from flowsheet.spec.bench.log_text import LogText
from flowsheet.spec.weights import weigh_sheet

CLIENTS, SECONDS = 200, 30.0
PANS = 40
#: What each pan's clients weigh: one of these each, with its unit and between what it reads.
WEIGHED = (("mass", "g", 20.0, 90.0), ("grade", "g/t", 2.0, 40.0), ("gold", "mg", 0.1, 0.5), ("bead", "mg", 0.1, 0.6),
           ("passing 0.3 mm", "%", 30.0, 70.0))  # fmt: skip
PATIENCE = 120.0


@dataclass
class Seen:
    """What the clients met."""

    took: dict[str, list[float]] = field(default_factory=lambda: {"page": [], "turn": [], "weight": []})
    errors: Counter[str] = field(default_factory=Counter)
    #: Stream and what → the last weight that was acknowledged.
    weights: dict[tuple[str, str], str] = field(default_factory=dict)


def many_streams() -> str:
    """Return a sheet whose last step splits into many pans. Invented, all of it."""
    names = [f"pan {i}" for i in range(PANS)]
    gives = ", ".join(f"p{i}: {name}" for i, name in enumerate(names))
    shares = ", ".join(f"p{i}: {1 / PANS:.6f}" for i in range(PANS - 1))
    return f"""
title: Quillfeather dump, for forty pans
ore: {{mass: 40 kg, grade: 20 g/t, sizes: {{top: 60 mm, p80: 30 mm}}, gold: {{d50: 0.3 mm, d95: 1.2 mm}}}}
steps:
  scalp: {{do: screen, takes: ore, gives: {{oversize: lumps, undersize: fines}}, opening: 20 mm}}
  share: {{do: split, takes: fines, gives: {{{gives}}}, split: {{{shares}}}}}
keep: [lumps]
"""


async def ask(port: int, method: str, path: str, data: object = None) -> tuple[int, bytes]:
    """Ask by plain HTTP/1.1, on a connection of its own."""
    body = b"" if data is None else json.dumps(data).encode()
    reader, writer = await asyncio.open_connection(HOST, port)
    try:
        heads = f"{method} {path} HTTP/1.1\r\nHost: {HOST}:{port}\r\nConnection: close\r\n"
        heads += f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
        writer.write(heads.encode() + body)
        await writer.drain()
        raw = await reader.read()
    finally:
        writer.close()
    head, _, rest = raw.partition(b"\r\n\r\n")
    return int(head.split()[1]), rest


async def client(i: int, served: Served, seen: Seen, until: float) -> None:
    rng = random.Random(i)  # the same mix in every run
    stream, place = f"pan {i % PANS}", None
    weighed, unit, low, high = WEIGHED[i // PANS]
    while time.monotonic() < until or (stream, weighed) not in seen.weights:
        what = rng.choices(("turn", "page", "weight"), (5, 1, 4))[0]
        if (stream, weighed) not in seen.weights:  # everybody weighs first: then there is something to lose
            what = "weight"
        start = time.monotonic()
        try:
            async with asyncio.timeout(PATIENCE):
                if what == "page":
                    status, _ = await ask(served.port, "GET", "/")
                elif what == "turn":
                    settings = {"scalp.opening": f"{rng.uniform(6, 40):.3g} mm"}
                    status, body = await ask(served.port, "POST", "/turn", {"settings": settings, "stream": stream})
                    assert status != 200 or json.loads(body)["ok"], body[:300]
                else:
                    number = f"{rng.uniform(low, high):.3f}"
                    entry = {"stream": stream, "what": weighed, "value": number, "unit": unit}
                    asked = {"do": "change", "entry": entry, **place} if place else {"do": "add", "entry": entry}
                    status, body = await ask(served.port, "POST", "/weigh", asked)
                    if status == 200:
                        told = json.loads(body)
                        if not told["ok"] and "changed by something else" in str(told):
                            continue
                        if (
                            not told["ok"]
                            and place
                            and re.search("since it was shown|no measurement any more", str(told))
                        ):
                            place = None
                            continue
                        if "stands" in told:
                            place = {"line": told["stands"]["line"], "text": told["stands"]["text"]}
                            continue
                        assert told["ok"], told
                        seen.weights[stream, weighed] = number
                        place = None  # others' lines may move it: what stands is asked for anew
        except Exception as wrong:
            seen.errors[f"{what}: {type(wrong).__name__} {str(wrong)[:80]}"] += 1
            continue
        if status != 200:
            seen.errors[f"{what}: {status}"] += 1
        seen.took[what].append(time.monotonic() - start)


async def crowd(served: Served, seen: Seen) -> float:
    start = time.monotonic()
    await asyncio.gather(*(client(i, served, seen, start + SECONDS) for i in range(CLIENTS)))
    return time.monotonic() - start


@pytest.mark.slow
def test_two_hundred_clients_meet_no_error_and_lose_no_weight(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = tmp_path / "crowd.yaml"
    assert PANS * len(WEIGHED) == CLIENTS
    sheet.write_text(many_streams(), encoding="utf-8")
    seen = Seen()
    with serving(sheet) as served:
        took = asyncio.run(crowd(served, seen))
        assert served.get("/").status == 200
        served.kill()
    with capsys.disabled():
        print(f"\n{CLIENTS} clients, {took:.0f} s:")
        for what, times in seen.took.items():
            ranked = sorted(times)
            print(f"  {what:7} {len(times):6} answered, {len(times) / took:6.1f} a second, "
                  f"median {1e3 * statistics.median(ranked):6.0f} ms, 95 in 100 under "
                  f"{1e3 * ranked[int(0.95 * len(ranked))]:6.0f} ms")  # fmt: skip
    assert not seen.errors
    assert all(seen.took.values())
    assert len(seen.weights) == CLIENTS
    log = sheet.with_suffix(".csv")
    text = log.read_text(encoding="utf-8")
    assert weigh_sheet.read(log).mistakes == []
    standing = {(entry.stream, entry.what): entry.value for entry in LogText.read(text, str(log)).entries()}
    assert standing == seen.weights
