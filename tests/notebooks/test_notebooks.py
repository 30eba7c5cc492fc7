"""The notebooks run on a reader's own fleet, are short, and say what they are for."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import sensorhealth
from sensorhealth.errors import SensorHealthError
from sensorhealth.present import notebooks

nbformat = pytest.importorskip("nbformat", reason="the extra 'notebooks' is not installed")
ROOT = Path(__file__).resolve().parent.parent.parent
NAMES = notebooks.names()


load = notebooks.source


def printed(notebook: Any) -> str:
    """Everything that the cells printed or showed as text."""
    outputs = [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]
    return "\n".join(output.get("text", "") or output.get("data", {}).get("text/plain", "") for output in outputs)


@pytest.fixture(scope="module")
def small_fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet") / "records"
    sensorhealth.simulate(n_sensors=40, seed=3).write(folder)
    return folder


def test_there_is_one_for_each_reader() -> None:
    assert [name[0] for name in NAMES] == list("123456")


@pytest.mark.parametrize("name", NAMES)
def test_notebook_is_kept_without_outputs(name: str) -> None:
    notebook = load(name)
    nbformat.validate(notebook)
    assert not any(cell.get("outputs") for cell in notebook.cells)


@pytest.mark.parametrize("name", NAMES)
def test_no_cell_is_over_a_screen(name: str) -> None:
    for cell in load(name).cells:
        assert len(cell.source.splitlines()) <= 25
        assert cell.cell_type == "markdown" or max(map(len, cell.source.splitlines())) <= 140


@pytest.mark.parametrize("name", NAMES)
def test_notebook_says_whom_it_is_for_and_what_it_is_not(name: str) -> None:
    cells = load(name).cells
    assert cells[0].source.startswith("# ") and "\nFor " in cells[0].source
    assert any("is not a proof of function" in cell.source or "No sensor is condemned" in cell.source for cell in cells)


@pytest.mark.parametrize("name", [name for name in NAMES if name[0] != "6"])
def test_notebook_takes_the_readers_own_fleet(name: str) -> None:
    tagged = [cell for cell in load(name).cells if "parameters" in cell.metadata.get("tags", [])]
    assert len(tagged) == 1
    for parameter in ("fleet_path", "as_of", "policy", "mapping"):
        assert re.search(rf"^{parameter} = .+  # ", tagged[0].source, re.MULTILINE)


@pytest.mark.parametrize("name", [name for name in NAMES if name[0] in "1234"])
def test_notebook_asks_for_the_analysis_that_all_share(name: str) -> None:
    code = "\n".join(cell.source for cell in load(name).cells if cell.cell_type == "code")
    assert "analysis_of(fleet_path, as_of=as_of, policy=policy, mapping=mapping)" in code
    assert "sensorhealth.analyse(" not in code


def test_unknown_notebook_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(SensorHealthError, match="no notebook '9'; there are 1-fleet"):
        notebooks.run_notebooks("x", tmp_path, chosen=["9"])


def test_missing_extra_is_said_plainly(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(SensorHealthError, match=r"sensorhealth\[notebooks\]"):
        notebooks.run_notebooks("x", tmp_path)


def test_failing_cell_is_one_clear_error(tmp_path: Path) -> None:
    with pytest.raises(SensorHealthError, match="1-fleet-at-a-glance: a cell failed: "):
        notebooks.run_notebooks(tmp_path / "no records here", tmp_path / "out", chosen=["1-fleet-at-a-glance"])
    assert not (tmp_path / "out").exists()


def test_method_agrees_with_what_was_published(tmp_path: Path) -> None:
    """Penicillin: Bates et al. (2015); rails: Pinheiro and Bates (2000); NIST/SEMATECH e-Handbook 8.2.1.5 and
    6.3.2.4."""
    notebooks.run_notebooks("not used", tmp_path, chosen=["6-the-method"])
    text = printed(nbformat.read(tmp_path / "6-the-method.ipynb", as_version=4))
    assert "criterion 330.86059; plate 0.8467, sample 1.9316, noise 0.5499" in text
    assert "mean 66.5; rail 24.805, noise 4.0208" in text
    assert "[0.95, 0.9, 0.8471, 0.7941, 0.7374, 0.6704]" in text
    assert "limits 52.5884 and 47.411" in text and "outside: 0" in text
    simulated, error, formula = map(
        float, re.findall(r"simulated ([\d.]+) \(standard error ([\d.]+)\); formula ([\d.]+)", text)[0]
    )
    assert abs(simulated - formula) < 3 * error


def test_planners_notebook_runs_on_a_small_fleet(tiny_fleet: Path, tmp_path: Path) -> None:
    page = notebooks.run_notebooks(tiny_fleet, tmp_path, chosen=["1-fleet-at-a-glance"])[0]
    done = nbformat.read(tmp_path / "1-fleet-at-a-glance.ipynb", as_version=4)
    assert "How many sensors need something?" in printed(done)
    pictures = [o for c in done.cells if c.cell_type == "code" for o in c.outputs if "image/png" in o.get("data", {})]
    assert len(pictures) == 3
    text = page.read_text(encoding="utf-8")
    assert "<script" not in text and not re.findall(r"(?:src|href)=\"(?!data:|#)", text)
    assert "The code is in 1-fleet-at-a-glance.ipynb" in text


def test_notebooks_of_one_run_share_analyses_and_nothing_else(tmp_path: Path) -> None:
    v4 = nbformat.v4
    counted = (
        "import sensorhealth\nsensorhealth.asked = 0\ndef count(*records, **how):\n    sensorhealth.asked += 1\n"
        "    return sensorhealth.asked\nsensorhealth.analyse, sensorhealth.read_fleet = count, lambda *a, **b: None\n"
    )
    ask = "from sensorhealth.present.notebooks import analysis_of\n"
    ask += "print(analysis_of(x), analysis_of(x, as_of='d'), 'here' in dir())"
    parts = {
        "one": v4.new_notebook(
            cells=[v4.new_code_cell("x = 1", metadata={"tags": ["parameters"]}), v4.new_code_cell(f"{counted}{ask}\nhere = x")]
        ),
        "two": v4.new_notebook(cells=[v4.new_code_cell("x = 1", metadata={"tags": ["parameters"]}), v4.new_code_cell(ask)]),
    }
    done = notebooks.execute(parts, {"x": 5})
    assert [printed(part).splitlines()[-1] for part in done.values()] == ["1 2 False", "1 2 False"]
    assert done["one"].cells[1].source == "# As asked for\nx = 5"
    assert [cell.execution_count for cell in done["two"].cells] == [1, 2, 3]


def test_two_runs_at_once_from_one_folder_do_not_meet(tmp_path: Path) -> None:
    script = (
        "import sys\nfrom nbformat import v4\nfrom sensorhealth.present import notebooks\n"
        "parts = {'one': v4.new_notebook(cells=[v4.new_code_cell(f'print({sys.argv[1]})')])}\n"
        "print(notebooks.execute(parts)['one'].cells[0].outputs[0]['text'].strip())\n"
    )
    runs = [
        subprocess.Popen([sys.executable, "-c", script, str(own)], cwd=tmp_path, stdout=subprocess.PIPE, text=True)
        for own in (1, 2, 3)
    ]
    assert [run.communicate(timeout=300)[0].split() for run in runs] == [["1"], ["2"], ["3"]]
    assert not list(tmp_path.iterdir())


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name in NAMES if name[0] in "2345"])
def test_other_notebooks_run_on_a_small_fleet(
    name: str, small_fleet: Path, tmp_path: Path, study_size: Callable[[int], int]
) -> None:
    notebooks.run_notebooks(small_fleet, tmp_path, chosen=[name])
    done = nbformat.read(tmp_path / f"{name}.ipynb", as_version=4)
    assert all(cell.execution_count for cell in done.cells if cell.cell_type == "code")


@pytest.mark.parametrize("name", NAMES)
def test_committed_notebook_is_the_current_one(name: str) -> None:
    """notebooks/ holds them executed on the demo; `python tools/pictures.py --notebooks` makes them anew."""
    committed = nbformat.read(ROOT / "notebooks" / f"{name}.ipynb", as_version=4)
    assert [cell.source for cell in committed.cells] == [cell.source for cell in load(name).cells]
    assert all(cell.execution_count for cell in committed.cells if cell.cell_type == "code")


@pytest.mark.parametrize("name", NAMES)
def test_committed_outputs_are_free_of_warnings_and_of_the_machine(name: str) -> None:
    text = (ROOT / "notebooks" / f"{name}.ipynb").read_text(encoding="utf-8")
    notebook = nbformat.reads(text, as_version=4)
    outputs = [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]
    assert not [output for output in outputs if output.get("name") == "stderr" or output.output_type == "error"]
    assert not re.search(r"/home/|/tmp/|/usr/|/root/|Warning:", text) and str(ROOT) not in text
    assert set(notebook.metadata) == {"kernelspec", "language_info"}
    assert all(set(cell.metadata) <= {"tags"} for cell in notebook.cells)
