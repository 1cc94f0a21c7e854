"""The plugin for the Processing toolbox of the desktop GIS: a folder, or the archive that its plugin manager installs.

Its modules are data here (`static/desktop_gis`), for they run in the GIS's own Python and import nothing of geoqa. What
they know of geoqa stands beside them as JSON, made here from the declarations: no parameter is written twice.
"""

from __future__ import annotations

import json
import zipfile
from collections.abc import Mapping, Sequence
from importlib import metadata, resources
from pathlib import Path
from typing import Any

from geoqa.core import recipe
from geoqa.core.errors import CallError
from geoqa.core.frames.schema import ACTIONS, DECISION_FILE, DECISION_KINDS
from geoqa.core.job import COLUMNS
from geoqa.core.params import Declared
from geoqa.core.site import labels
from geoqa.outputs.folder import placing, replacing_file
from geoqa.outputs.gis_styles import LOOKS

#: The plugin's folder; its archive is called so too.
NAME = "geoqa_provider"
#: The first version of the GIS that it works in.
LEAST = "3.22"
#: Tables of the recipe that a dialog has fields for.
TABLES: dict[str, type[Declared]] = {
    "site": recipe.Site, "input": recipe.InputFormat, "tolerance": recipe.Tolerance, "requirement": recipe.Requirement,
}  # fmt: skip


def contents(
    document: Mapping[str, Any], commands: Mapping[str, Any], command: Sequence[str], package: str
) -> dict[str, str]:
    """Return the text of each file of the plugin, by name.

    Parameters
    ----------
    document
        What `geoqa steps --json` prints.
    commands
        Help of each command, and of its options by their long names.
    command
        What runs the geoqa that writes the plugin.
    package
        The distribution that version, author and licence are taken from.
    """
    told = metadata.metadata(package)
    source = resources.files("geoqa.outputs").joinpath("static/desktop_gis")
    files = {path.name.removesuffix(".txt"): path.read_text(encoding="utf-8") for path in source.iterdir()}
    written = {
        "command": list(command),
        "commands": commands,
        "columns": COLUMNS,
        "recipe": {name: [one.as_record() for one in table.parameters()] for name, table in TABLES.items()},
        "decisions": {
            "columns": DECISION_FILE, "actions": ACTIONS, "kinds": DECISION_KINDS,
            "shield": {name: getattr(labels, name).pattern for name in ("BARE", "BLANK_BEFORE", "NUMBER")},
        },
        "titles": {name: look.title for name, look in LOOKS.items()},
    }  # fmt: skip
    about = files["metadata.txt"].format(
        summary=told["Summary"], package=package, version=told["Version"], least=LEAST, author=told["Author"],
        licence=told["License-Expression"],
    )  # fmt: skip
    made = {"written.json": written, "steps.json": document}
    return files | {name: json.dumps(value, indent=1) + "\n" for name, value in made.items()} | {"metadata.txt": about}


def write(out: Path, files: Mapping[str, str], *, archive: bool) -> Path:
    """Write the plugin's folder into `out`, or its archive; return what was written.

    Raises
    ------
    CallError
        If something else stands there under its name.
    OutputError
        If it cannot be written.
    """
    target = out / (f"{NAME}.zip" if archive else NAME)
    if archive:
        out.mkdir(parents=True, exist_ok=True)
        with replacing_file(target) as staging, zipfile.ZipFile(staging, "w", zipfile.ZIP_DEFLATED) as packed:
            for name, text in sorted(files.items()):
                # The same plugin is the same archive: no time of the clock, the earliest one that an archive can hold.
                packed.writestr(zipfile.ZipInfo(f"{NAME}/{name}", (1980, 1, 1, 0, 0, 0)), text, zipfile.ZIP_DEFLATED)
        return target
    foreign = target.exists() and not (target / "written.json").is_file()
    if foreign and any(target.iterdir() if target.is_dir() else [target]):
        raise CallError(f"{target} is there and was not written by geoqa desktop-gis. Name another folder for --out.")
    target.mkdir(parents=True, exist_ok=True)
    with placing(target) as staging:
        for name, text in files.items():
            (staging / name).write_text(text, encoding="utf-8", newline="\n")
    return target
