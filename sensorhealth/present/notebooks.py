"""Runs the package's notebooks on a user's own fleet and writes each as a notebook and as a page that opens offline."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from importlib import resources
from pathlib import Path
from typing import Any

from sensorhealth.errors import OutputError, SensorHealthError
from sensorhealth.present.page import html

EXTRA = "running notebooks needs papermill, nbconvert and ipykernel: pip install 'sensorhealth[notebooks]'"
KERNEL = "python3"
FLEETLESS = ("6-the-method",)


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
    folder = Path(out)
    given = {"fleet_path": fleet, "as_of": as_of, "policy": policy, "mapping": mapping}
    parameters = {name: None if value is None else str(value) for name, value in given.items()}
    pages = []
    for name in wanted:
        if progress:
            progress(f"notebook {name}")
        with source(name) as path:
            notebook = execute(path, {} if name in FLEETLESS else parameters)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            write(notebook, folder / f"{name}.ipynb")
            page = folder / f"{name}.html"
            page.write_text(notebook_page(notebook, name), encoding="utf-8", newline="\n")
        except OSError as error:
            raise OutputError(f"{folder}: cannot write the notebooks there ({error}); choose another folder") from error
        pages.append(page)
    return pages


@contextmanager
def source(name: str) -> Iterator[Path]:
    """The file of the notebook `name` as the package carries it: without outputs."""
    entry = resources.files("sensorhealth.present").joinpath("notebook_sources", f"{name}.ipynb")
    with resources.as_file(entry) as path:
        yield path


def execute(path: Path, parameters: dict[str, Any]) -> Any:
    """Run the notebook at `path` with `parameters` in a kernel of this environment.

    Returns it with outputs and without clocks. Raises SensorHealthError with the error of a cell that fails.
    """
    import papermill

    try:
        done = papermill.execute_notebook(
            path, None, parameters, kernel_name=KERNEL, language="python", progress_bar=False, config=_local_sockets(),
            extra_arguments=["--log-level=50"],
        )  # fmt: skip
    except papermill.PapermillExecutionError as error:
        raise SensorHealthError(f"notebook {path.stem}: a cell failed: {error.ename}: {error.evalue}") from error
    return without_clocks(done)


def _local_sockets() -> Any:
    """Settings under which the kernel talks through local sockets where the system has them, not through ports."""
    from traitlets.config import Config

    return Config({"KernelManager": {"transport": "ipc"}} if os.name == "posix" else {})


def without_clocks(notebook: Any) -> Any:
    """`notebook` without times, run counts of the tool and identifiers that would differ from run to run."""
    notebook.metadata = {
        "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
        "language_info": {"name": "python"},
    }
    for place, cell in enumerate(notebook.cells):
        cell.id = f"cell-{place + 1:02d}"
        cell.metadata = {"tags": cell.metadata["tags"]} if cell.metadata.get("tags") else {}
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

    if not all(find_spec(package) for package in ("papermill", "nbconvert", "nbclient", "nbformat", "ipykernel")):
        raise SensorHealthError(EXTRA)
