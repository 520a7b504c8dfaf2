"""`make bench`: each answer is asserted first, then timed beside its peers in the same run.

Writes `bench.json`. Times are medians of a few rounds on this machine and say little alone; the ratios
are what to quote, and stand at its head beside what is aimed at. A peer that would take minutes at a size is
left out there, and is named as left out.
"""

from __future__ import annotations

import io
import json
import math
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.csv
import pythoncdt
from scipy.spatial import Delaunay

from compute.pointfiles import read_points
from compute.records import Surface
from compute.surface import plan_areas
from compute.triangulate import triangulate
from compute.volume import volume_between
from tests.compute import zoo

SIZES = (10_000, 100_000, 1_000_000)
PEER_LIMIT = {
    "solid boolean (manifold3d)": 100_000,
    "polygon overlay (shapely)": 100_000,
}
AIMED = {"solid boolean (manifold3d)": "5 or more", "polygon overlay (shapely)": "30 or more"}
RESULTS: list[dict[str, Any]] = []
RATIOS: list[dict[str, Any]] = []


def ratio(name: str, size: int, value: float, aim: str = "") -> None:
    """Keep a ratio of two times of this run, beside what is aimed at."""
    RATIOS.append({"ratio": name, "points": size, "value": round(value, 2), "aim": aim})
    print(f"{'':<25} {name}: {value:.2f}{f' (aim: {aim})' if aim else ''}")


def left_out(name: str, size: int, what: str) -> bool:
    """Whether a peer is too slow for a size; said in the output and in the report."""
    if size <= PEER_LIMIT[what]:
        return False
    why = f"left out beyond {PEER_LIMIT[what]:,} points: minutes at this size"
    RESULTS.append({"bench": name, "points": size, "what": what, "left_out": why})
    print(f"{name:<14} {size:>9,}  {what:<34} {why}")
    return True


def timed(name: str, size: int, what: str, work: Callable[[], Any], rounds: int = 3) -> float:
    """Median seconds of `work`, kept as a row of the report."""
    seconds = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        seconds.append(time.perf_counter() - start)
    median = statistics.median(seconds)
    RESULTS.append({"bench": name, "points": size, "what": what, "seconds": median, "rounds": rounds})
    print(f"{name:<14} {size:>9,}  {what:<34} {median:9.3f} s")
    return median


def field(size: int, seed: int, lift: float) -> np.ndarray:
    """Scattered heights over a 100 m square with its corners."""
    rng = np.random.default_rng(seed)
    xy = np.vstack([rng.uniform(0, 100, (size - 4, 2)), [[0, 0], [100, 0], [100, 100], [0, 100]]])
    return np.column_stack([xy, lift + 3 * np.sin(xy[:, 0] / 11) * np.cos(xy[:, 1] / 13)])


def bench_triangulation(size: int) -> None:
    points = field(size, 1, 0.0)
    ours = triangulate(points)
    assert abs(math.fsum(plan_areas(ours.corners_m)) - 1e4) < 1e-6
    assert len(Delaunay(points[:1000, :2]).simplices) == len(triangulate(points[:1000]).triangles)

    def bare() -> None:
        machine = pythoncdt.Triangulation(
            pythoncdt.VertexInsertionOrder.AUTO, pythoncdt.IntersectingConstraintEdges.NOT_ALLOWED, 0.0
        )
        machine.insert_vertices(np.ascontiguousarray(points[:, :2]))
        machine.erase_super_triangle()
        machine.triangles_array()

    ours_s = timed("triangulation", size, "ours", lambda: triangulate(points))
    bare_s = timed("triangulation", size, "bare pythoncdt", bare)
    scipy_s = timed("triangulation", size, "scipy.spatial.Delaunay", lambda: Delaunay(points[:, :2]), 1)
    ratio("triangulation, ours / bare pythoncdt", size, ours_s / bare_s)
    ratio("triangulation, scipy.spatial.Delaunay / ours", size, scipy_s / ours_s)


def bench_volume(size: int) -> None:
    top, base = triangulate(field(size, 2, 1.0)), triangulate(field(size, 3, 0.0))
    measured = volume_between(top, base)
    assert abs(measured.plan_area_m2 - 1e4) < 1e-6
    # New surfaces each time: the old ones keep their index.
    ours = timed("volume", size, "ours", lambda: volume_between(replace(top), replace(base)))
    peers: dict[str, Callable[[Surface, Surface], Any]] = {
        "solid boolean (manifold3d)": zoo.solid_boolean_above_below,
        "polygon overlay (shapely)": zoo.polygon_overlay_net,
    }
    for what, peer in peers.items():
        if left_out("volume", size, what):
            continue
        answer = peer(top, base)
        net = answer if isinstance(answer, float) else answer[0] - answer[1]
        assert abs(net - measured.net_m3) < 1e-6 * measured.plan_area_m2, (what, net, measured.net_m3)
        theirs = timed("volume", size, what, lambda peer=peer: peer(top, base), 1)
        ratio(f"exact volume, {what} / ours", size, theirs / ours, AIMED[what])


def point_text(points: np.ndarray, places: int = 3) -> bytes:
    """`point,northing,easting,elevation,code` lines with that many decimals."""
    rows = (
        f"{i},{y:.{places}f},{x:.{places}f},{z:.{places}f},SPT"
        for i, (x, y, z) in enumerate(points.tolist(), 1)
    )
    return ("point,northing,easting,elevation,code\n" + "\n".join(rows) + "\n").encode()


def bench_reading(size: int) -> None:
    points = field(size, 4, 50.0)
    data = point_text(points)
    read = read_points(data, "bench.csv")
    assert len(read.northing_m) == size
    assert float(np.abs(read.elevation_m - np.round(points[:, 2], 3)).max()) < 1e-9
    ours = timed("reading", size, "ours", lambda: read_points(data, "bench.csv"))
    bare = timed("reading", size, "bare pyarrow.csv", lambda: pyarrow.csv.read_csv(io.BytesIO(data)))
    ratio("reading, ours / bare pyarrow.csv", size, ours / bare)
    numpy_s = timed(
        "reading",
        size,
        "numpy.loadtxt",
        lambda: np.loadtxt(io.BytesIO(data), delimiter=",", skiprows=1, usecols=(1, 2, 3)),
        1,
    )
    ratio("reading, numpy.loadtxt / ours", size, numpy_s / ours)


def run_measure(folder: Path, *arguments: str) -> dict[str, Any]:
    manage = Path(__file__).resolve().parent.parent / "manage.py"
    done = subprocess.run(
        [sys.executable, str(manage), "measure", *arguments, "--json"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=True,
    )
    return json.loads(done.stdout)


def processor_seconds(work: Callable[[], Any]) -> float:
    """What `work` and its children took of all processors, busy machine or idle."""
    before = os.times()
    work()
    after = os.times()
    return sum(after[:4]) - sum(before[:4])


def bench_command(folder: Path) -> None:
    """The whole command on two surfaces of 300,000 shots, against bare reading and triangulation.

    The first run is not timed: on a new machine it compiles the loops.
    """
    size = 300_000
    top, base = field(size, 5, 4.0), field(size, 6, 0.0)
    # Six decimals: at millimetres some shots share a place, which the bare triangulator refuses.
    data = [point_text(top, 6), point_text(base, 6)]
    for name, content in zip(("top.csv", "base.csv"), data, strict=True):
        (folder / name).write_bytes(content)
    record = run_measure(folder, "top.csv", "--base", "base.csv")
    assert abs(record["net_m3"] - 4e4) < 50.0

    def bare() -> None:
        for content in data:
            table = pyarrow.csv.read_csv(io.BytesIO(content))
            machine = pythoncdt.Triangulation(
                pythoncdt.VertexInsertionOrder.AUTO, pythoncdt.IntersectingConstraintEdges.NOT_ALLOWED, 0.0
            )
            machine.insert_vertices(
                np.column_stack([table["easting"].to_numpy(), table["northing"].to_numpy()])
            )
            machine.erase_super_triangle()

    whole = timed(
        "command", size, "measure, two surfaces", lambda: run_measure(folder, "top.csv", "--base", "base.csv")
    )
    floor = timed("command", size, "bare reading and triangulation", bare)
    ratio("whole command / bare reading and triangulation", size, whole / floor, "2 or less")
    work = processor_seconds(lambda: run_measure(folder, "top.csv", "--base", "base.csv"))
    ratio("the same in processor seconds", size, work / processor_seconds(bare))
    bench_small_pile(folder)


def bench_small_pile(folder: Path) -> None:
    """One pile of 500 shots: mostly the time to start."""
    angle = np.linspace(0, 2 * math.pi, 60, endpoint=False)
    toe = np.column_stack([30 * np.cos(angle), 30 * np.sin(angle), np.zeros(60)]) + 100
    inner = np.random.default_rng(7).uniform(-20, 20, (440, 2))
    spots = np.column_stack([inner + 100, 100 + (30 - np.hypot(*inner.T)) * 0.7])
    lines = [
        f"{i},{y:.3f},{x:.3f},{z:.3f},{'TOE' if i < 60 else 'SPT'}"
        for i, (x, y, z) in enumerate(np.vstack([toe, spots]))
    ]
    (folder / "pile.csv").write_text("point,northing,easting,elevation,code\n" + "\n".join(lines) + "\n")
    cone = math.pi * 30**3 * 0.7 / 3
    assert 0.95 * cone < run_measure(folder, "pile.csv")["net_m3"] < cone
    seconds = timed("command", 500, "measure, one pile", lambda: run_measure(folder, "pile.csv"), 5)
    ratio("one pile of 500 shots, seconds / 1.5 s", 500, seconds / 1.5, "1 or less")


def main() -> int:
    for size in SIZES:
        bench_triangulation(size)
        bench_reading(size)
        bench_volume(size)
    with tempfile.TemporaryDirectory() as folder:
        bench_command(Path(folder))
    if not RESULTS:
        raise SystemExit("The benchmark measured nothing.")
    Path("bench.json").write_text(
        json.dumps({"ratios": RATIOS, "results": RESULTS}, indent=1) + "\n", encoding="utf-8"
    )
    print("bench.json written")
    return 0


if __name__ == "__main__":
    sys.exit(main())
