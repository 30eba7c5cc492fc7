"""A run that is killed at any moment, or two runs at once, leave one whole output."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from sensorhealth.records._exchange import UNFINISHED
from sensorhealth.records._staging import MANIFEST

FILES = 12
WRITER = f"""
import sys
from pathlib import Path
from sensorhealth.records.outputs import write_folder
out, number = Path(sys.argv[1]), 0
print("ready", flush=True)
while True:
    number += 1
    content = f"{{number:06d}}".encode() * 2000
    write_folder({{f"{{name}}.csv": content for name in range({FILES})}}, out)
"""


def start(out: Path) -> subprocess.Popen[str]:
    root = Path(__file__).resolve().parents[2]
    process = subprocess.Popen([sys.executable, "-c", WRITER, str(out)], stdout=subprocess.PIPE, text=True, cwd=root,
                               env=os.environ | {"PYTHONPATH": str(root)})  # fmt: skip
    assert process.stdout is not None and process.stdout.readline() == "ready\n"
    return process


def kill(process: subprocess.Popen[str]) -> None:
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    assert process.stdout is not None
    process.stdout.close()


def whole(out: Path, *others: str) -> bool:
    """Whether `out` holds all files of one and the same run, and beside them nothing but the files of others."""
    names = {f"{name}.csv" for name in range(FILES)} | {MANIFEST, *others}
    contents = {(out / f"{name}.csv").read_bytes() for name in range(FILES)}
    return set(os.listdir(out)) == names and len(contents) == 1 and len(contents.pop()) == 12_000


def finish(out: Path) -> None:
    """What the next run into a folder of others does first."""
    from sensorhealth.records import _inside

    with _inside.locked(out):
        _inside.finish(out)


@pytest.mark.parametrize("seed", range(3))
def test_a_killed_run_leaves_a_whole_output(tmp_path: Path, seed: int) -> None:
    out, chance = tmp_path / "out", random.Random(seed)
    for _ in range(4):
        process = start(out)
        while not out.exists():
            time.sleep(0.001)
        time.sleep(chance.uniform(0, 0.05))
        kill(process)
        assert whole(out)


def test_two_runs_at_once_leave_the_whole_output_of_one(tmp_path: Path) -> None:
    out = tmp_path / "out"
    both = [start(out), start(out)]
    time.sleep(1.0)
    assert all(process.poll() is None for process in both)
    for process in both:
        kill(process)
    assert whole(out)


@pytest.mark.parametrize("seed", range(3))
def test_a_kill_in_a_folder_of_others_is_mended_by_the_next_run(tmp_path: Path, seed: int) -> None:
    out, chance = tmp_path / "out", random.Random(seed)
    out.mkdir()
    (out / "thesis.doc").write_text("years of work")
    for _ in range(5):
        process = start(out)
        while not (out / MANIFEST).exists():
            time.sleep(0.001)
        time.sleep(chance.uniform(0, 0.05))
        kill(process)
        finish(out)
        assert whole(out, "thesis.doc") and (out / "thesis.doc").read_text() == "years of work"


@pytest.mark.parametrize("moved", range(5))
def test_a_kill_between_any_two_steps_in_a_folder_of_others_is_mended(tmp_path: Path, moved: int) -> None:
    """The state after a kill behind each of the renames: both files, the list, and the empty folder that is left."""
    from sensorhealth.records.outputs import write_folder

    out, spare = tmp_path / "out", tmp_path / "spare"
    for folder, files in ((out, {"a.csv": b"old", "gone.csv": b"old"}), (spare, {"a.csv": b"new", "deep/b.csv": b"new"})):
        folder.mkdir()
        (folder / "thesis.doc").write_text("years of work")
        write_folder(files, folder)
    ready = out / ".sensorhealth.abc.ready"
    (ready / "deep").mkdir(parents=True)
    for place, name in enumerate(("a.csv", "deep/b.csv", MANIFEST)):
        into = (out if place < moved else ready) / name
        into.parent.mkdir(exist_ok=True)
        into.write_bytes((spare / name).read_bytes())
    if moved >= 3:
        (out / "gone.csv").unlink()
    if moved == 4:
        (ready / "deep").rmdir()
    finish(out)
    assert {path.name: path.read_bytes() for path in out.rglob("*.*") if path.is_file() and path.name != MANIFEST} == {
        "a.csv": b"new", "b.csv": b"new", "thesis.doc": b"years of work"
    }  # fmt: skip
    write_folder({"a.csv": b"3"}, out)
    assert sorted(path.name for path in out.iterdir()) == [MANIFEST, "a.csv", "thesis.doc"]


def test_two_runs_at_once_in_a_folder_of_others_take_turns(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "thesis.doc").write_text("years of work")
    both = [start(out), start(out)]
    time.sleep(1.0)
    assert all(process.poll() is None for process in both)
    for process in both:
        kill(process)
    finish(out)
    assert whole(out, "thesis.doc")


def test_a_file_put_into_an_output_while_it_changed_places_comes_back(tmp_path: Path) -> None:
    """The state after a kill just behind the exchange: the old folder stands aside, with a file of someone in it."""
    from sensorhealth.records.outputs import write_folder

    out = tmp_path / "out"
    write_folder({"a.csv": b"1"}, out)
    aside = tmp_path / ".out.abc.new"
    aside.mkdir()
    (aside / MANIFEST).write_bytes((out / MANIFEST).read_bytes())
    (aside / "a.csv").write_bytes(b"0")
    (aside / "my notes.txt").write_text("keep me")
    os.utime(aside, (0, 0))
    write_folder({"a.csv": b"2"}, out)
    assert (out / "a.csv").read_bytes() == b"2" and (out / "my notes.txt").read_text() == "keep me"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_what_a_killed_run_leaves_beside_the_output_is_cleared_away(tmp_path: Path) -> None:
    from sensorhealth.records.outputs import write_folder

    dead = tmp_path / ".out.abc.new"
    dead.mkdir()
    (dead / UNFINISHED).touch()
    (dead / "half.csv").write_bytes(b"half")
    os.utime(dead, (0, 0))
    write_folder({"a.csv": b"1"}, tmp_path / "out")
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.slow
def test_hundreds_of_kills_never_break_the_output(tmp_path: Path, study_size) -> None:
    out, chance = tmp_path / "out", random.Random(7)
    for _ in range(study_size(200)):
        process = start(out)
        time.sleep(chance.uniform(0, 0.03))
        kill(process)
        assert not out.exists() or whole(out)


@pytest.mark.slow
def test_hundreds_of_kills_never_break_a_folder_of_others(tmp_path: Path, study_size) -> None:
    out, chance = tmp_path / "out", random.Random(8)
    out.mkdir()
    (out / "thesis.doc").write_text("years of work")
    for _ in range(study_size(200)):
        process = start(out)
        time.sleep(chance.uniform(0, 0.03))
        kill(process)
        finish(out)
        assert (out / "thesis.doc").read_text() == "years of work"
        assert not (out / MANIFEST).exists() or whole(out, "thesis.doc")
