"""Runs the package's notebooks on a user's own fleet and writes each as a notebook and as a page that opens offline."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from importlib import resources
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from sensorhealth.errors import OutputError, SensorHealthError
from sensorhealth.present.page import html

if TYPE_CHECKING:
    from sensorhealth.analysis import Analysis

EXTRA = "running notebooks needs nbclient, nbconvert and ipykernel: pip install 'sensorhealth[notebooks]'"
KERNEL = "python3"
ANALYSE_ONCE = (
    "import functools\nfrom sensorhealth.present import notebooks\nnotebooks.analysis_of = functools.cache(notebooks.analysis_of)"
)
FORGET_NAMES = "%reset -f"


def names() -> list[str]:
    """The notebooks that the package has, in their order."""
    folder = resources.files("sensorhealth.present").joinpath("notebook_sources")
    return sorted(entry.name.removesuffix(".ipynb") for entry in folder.iterdir() if entry.name.endswith(".ipynb"))


def run_notebooks(
    fleet: Path | str,
    out: Path | str,
    *,
    as_of: str | None = None,
    policy: Path | str | None = None,
    mapping: Path | str | None = None,
    chosen: Sequence[str] | None = None,
    progress: Callable[[str], None] | None = None,
) -> list[Path]:
    """Run the notebooks on the records in `fleet` and write NAME.ipynb and NAME.html into the folder `out`.

    as_of, policy, mapping: as for `analyse` and `read_fleet`. chosen: names of notebooks (see `names`); all where not
    given. progress: called with the name of each notebook before it runs. Returns the pages. Files are the same bytes
    each time: no clock is kept in them. Raises SensorHealthError where the extra packages are missing, a notebook is
    not known, or a cell fails (with the cell's own error), and OutputError where `out` cannot be written.
    """
    _need_extra()
    wanted = names() if chosen is None else list(chosen)
    unknown = sorted(set(wanted) - set(names()))
    if unknown:
        raise SensorHealthError(f"no notebook {unknown[0]!r}; there are {', '.join(names())}")
    given = {"fleet_path": fleet, "as_of": as_of, "policy": policy, "mapping": mapping}
    parameters = {name: None if value is None else str(value) for name, value in given.items()}
    done = execute({name: source(name) for name in wanted}, parameters, progress)
    folder = Path(out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, notebook in done.items():
            write(notebook, folder / f"{name}.ipynb")
            (folder / f"{name}.html").write_text(notebook_page(notebook, name), encoding="utf-8", newline="\n")
    except OSError as error:
        raise OutputError(f"{folder}: cannot write the notebooks there ({error}); choose another folder") from error
    return [folder / f"{name}.html" for name in done]


def analysis_of(
    fleet_path: Path | str,
    *,
    as_of: str | None = None,
    policy: Path | str | None = None,
    mapping: Path | str | None = None,
) -> Analysis:
    """Read the records in `fleet_path` and analyse them. Notebooks that run together make an analysis once."""
    import sensorhealth

    return sensorhealth.analyse(sensorhealth.read_fleet(fleet_path, mapping=mapping), as_of=as_of, policy=policy)


def source(name: str) -> Any:
    """The notebook `name` as the package carries it: without outputs."""
    import nbformat

    entry = resources.files("sensorhealth.present").joinpath("notebook_sources", f"{name}.ipynb")
    return nbformat.reads(entry.read_text(encoding="utf-8"), as_version=4)


def execute(
    notebooks: Mapping[str, Any],
    parameters: Mapping[str, Any] | None = None,
    progress: Callable[[str], None] | None = None,
) -> dict[str, Any]:
    """Run `notebooks` (name -> notebook) one after the other in one kernel of this environment.

    parameters: values that follow each cell tagged `parameters`. Every notebook begins with no names from those before
    it; only analyses of the same records are made once for all. Returns them with outputs and without clocks. Raises
    SensorHealthError with the name of the notebook and the error of a cell that fails.
    """
    from nbclient import NotebookClient
    from nbclient.exceptions import CellExecutionError
    from nbformat.v4 import new_code_cell, new_notebook

    whole = new_notebook(cells=[new_code_cell(ANALYSE_ONCE)])
    starts: dict[int, str] = {}
    for name, notebook in notebooks.items():
        starts[len(whole.cells)] = name
        whole.cells += [new_code_cell(FORGET_NAMES), *with_parameters(notebook, parameters or {}).cells]
    reached = [""]

    def begin(cell: Any, cell_index: int) -> None:
        if cell_index in starts:
            reached[0] = starts[cell_index]
            if progress:
                progress(f"notebook {reached[0]}")

    with TemporaryDirectory() as place:
        client = NotebookClient(
            whole, timeout=None, kernel_name=KERNEL, record_timing=False, on_cell_start=begin, config=_local_sockets(place),
            extra_arguments=["--log-level=50"],
        )  # fmt: skip
        try:
            client.execute()
        except CellExecutionError as error:
            raise SensorHealthError(f"notebook {reached[0]}: a cell failed: {error.ename}: {error.evalue}") from error
    ends = [*list(starts)[1:], len(whole.cells)]
    return {
        name: without_clocks(new_notebook(cells=whole.cells[start + 1 : end])) for (start, name), end in zip(starts.items(), ends)
    }


def with_parameters(notebook: Any, parameters: Mapping[str, Any]) -> Any:
    """`notebook` with a cell of `parameters` behind its cell tagged `parameters`, where it has one."""
    from nbformat.v4 import new_code_cell

    for place, cell in enumerate(notebook.cells):
        if parameters and "parameters" in cell.metadata.get("tags", []):
            lines = "\n".join(f"{name} = {value!r}" for name, value in parameters.items())
            given = new_code_cell(f"# As asked for\n{lines}", metadata={"tags": ["injected-parameters"]})
            notebook.cells.insert(place + 1, given)
            break
    return notebook


def _local_sockets(place: str) -> Any:
    """Settings under which the kernel talks through local sockets in the folder `place` where the system has them, not through
    ports; without a folder of its own two kernels started at once may take the same sockets."""
    from traitlets.config import Config

    own = {"transport": "ipc", "ip": str(Path(place, "kernel"))}
    return Config({"KernelManager": own} if os.name == "posix" else {})


def without_clocks(notebook: Any) -> Any:
    """`notebook` without times and identifiers that would differ from run to run, its cells counted from one."""
    notebook.metadata = {
        "kernelspec": {"display_name": "Python 3", "language": "python", "name": KERNEL},
        "language_info": {"name": "python"},
    }
    counted = 0
    for place, cell in enumerate(notebook.cells):
        cell.id = f"cell-{place + 1:02d}"
        cell.metadata = {"tags": cell.metadata["tags"]} if cell.metadata.get("tags") else {}
        if cell.cell_type == "code":
            counted += 1
            for holder in (cell, *(output for output in cell.outputs if "execution_count" in output)):
                holder.execution_count = counted
    return notebook


def write(notebook: Any, path: Path) -> None:
    """Write `notebook` to `path`."""
    import nbformat

    path.write_text(nbformat.writes(notebook) + "\n", encoding="utf-8", newline="\n")


def notebook_page(notebook: Any, name: str) -> str:
    """`notebook` as one HTML file that opens offline: words, tables and pictures; its code is in the notebook beside
    it."""
    from nbconvert import HTMLExporter

    exporter = HTMLExporter(template_name="basic", exclude_input=True, exclude_output_prompt=True)
    body, _ = exporter.from_notebook_node(notebook)
    style = html.asset("page.css", "notebook.css")
    policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
    title = notebook.cells[0].source.splitlines()[0].lstrip("# ")
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{html.text(policy)}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{html.text(title)}</title><style>{style}</style></head><body><main>{body}</main>"
        f'<p class="quiet">The code is in {html.text(name)}.ipynb.</p></body></html>\n'
    )


def _need_extra() -> None:
    from importlib.util import find_spec

    if not all(find_spec(package) for package in ("nbclient", "nbconvert", "nbformat", "ipykernel")):
        raise SensorHealthError(EXTRA)
