"""What a page holds, read back in Python: the reader of its packed blocks, beside the one in JavaScript."""

from __future__ import annotations

import base64
import gzip
import json
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from geoqa.outputs import offline
from geoqa.outputs.map import grid_fit

STATIC = Path(offline.__file__).parent / "static"
DATA_BLOCK = re.compile(r'<script type="application/json" id="([\w-]+)">(.*?)</script>', re.DOTALL)


def block(text: str) -> bytes:
    return gzip.decompress(base64.b64decode(text))


def _steps(data: bytes, d: dict, fit: dict | None) -> np.ndarray:
    kind = np.dtype(f"<{d['type']}")
    raw = np.frombuffer(data, np.uint8, d["n"] * kind.itemsize, d["at"])
    whole = np.ascontiguousarray(raw.reshape(kind.itemsize, d["n"]).T).view(kind).ravel()
    if d["type"] == "f8":
        return whole
    steps = whole.astype(float)
    steps[whole == np.iinfo(kind).min] = np.nan
    steps = d["base"] + (np.cumsum(steps) if d.get("rises") else steps)
    guess = d.get("guess", {})
    for term in guess.get("terms", ()):
        of = np.nan_to_num(_steps(data, term["of"], fit))
        steps = steps + term["sign"] * (of[_steps(data, term["at"], fit).astype(int)] if "at" in term else of)
    if "grid" in guess:
        found = grid_fit.apply(fit, numbers(data, guess["x"]), numbers(data, guess["y"]))
        metres = found[("easting", "northing").index(guess["grid"])]
        place = np.nan_to_num(np.floor(metres / guess["per"] / d["step"] + 0.5))
        if "known" in guess:
            known = _steps(data, guess["known"], fit)
            place = np.where(np.isnan(known), place, known)
        steps = steps + (np.repeat(place, numbers(data, guess["each"]).astype(int)) if "each" in guess else place)
    if "by" in d:
        order = np.lexsort([_steps(data, key, fit) for key in reversed(d["by"])])
        steps = steps[np.argsort(order, kind="stable")]
    return steps


def numbers(data: bytes, d: dict, fit: dict | None = None) -> np.ndarray:
    steps = _steps(data, d, fit)
    if d["type"] == "f8":
        return steps
    by = round(1 / d["step"])
    return steps / by if d["step"] < 1 and abs(by * d["step"] - 1) < 1e-12 else steps * d["step"]


def texts(data: bytes, d: dict) -> list[str]:
    words = data[d["at"] : d["at"] + d["bytes"]].decode("utf-8").split("\n")
    return [words[k] for k in numbers(data, d["index"]).astype(int)]


class Page:
    """The data blocks of a page."""

    def __init__(self, page: str) -> None:
        head = {name: json.loads(text) for name, text in DATA_BLOCK.findall(page)}
        assert list(head) == ["geoqa-head", "geoqa-block"]
        self.context, self.drawings = head["geoqa-head"]["context"], head["geoqa-head"]["drawings"]
        self.data = block(head["geoqa-block"])
        #: Index of the drawing that holds the points.
        self.site = next((k for k, drawing in enumerate(self.drawings) if drawing["points"]), -1)

    def column(self, drawing: int, name: str):
        d = self.drawings[drawing]["columns"][name]
        return texts(self.data, d) if "words" in d else numbers(self.data, d)

    def facet(self, title: str, drawing: int = 0) -> list[set[str]]:
        """The values of each entry."""
        (f,) = (f for f in self.drawings[drawing]["facets"] if f["title"] == title)
        each, values = numbers(self.data, f["each"]).astype(int), texts(self.data, f)
        ends = np.cumsum(each)
        return [set(values[b - n : b]) for n, b in zip(each, ends, strict=True)]

    def told(self, drawing: int, entry: int) -> list[dict]:
        """What a click on an entry shows, by the script that shows it."""
        program = "told.reader(block, head.drawings[D].tables, head.context.grid, head.context.ahead).sections(E)"
        program = program.replace("D", str(drawing)).replace("E)", f"{entry})")
        return script(program, head={"context": self.context, "drawings": self.drawings}, block=self.data)


def node() -> str:
    """The JavaScript engine that runs what needs no browser: one installed, or the one that Playwright brings."""
    found = shutil.which("node")
    if not found:
        driver = pytest.importorskip("playwright._impl._driver", reason="neither node nor playwright is installed")
        found = str(driver.compute_driver_executable()[0])
    return found


def script(program: str, block: bytes | None = None, **values) -> object:
    """The value of an expression in which each pure script goes by its name."""
    names = ("units", "packed", "geometry", "told", "draft", "choice", "cells", "state")
    lines = [f"const {name} = require({json.dumps(str(STATIC / name) + '.js')});" for name in names]
    lines += [f"const {name} = {json.dumps(value)};" for name, value in values.items()]
    if block is not None:
        text = base64.b64encode(block).decode()
        lines.append(f'const block = new Uint8Array(Buffer.from("{text}", "base64"));')
    lines.append(f"Promise.resolve({program}).then(v => console.log(JSON.stringify(v)));")
    done = subprocess.run([node(), "-"], input="\n".join(lines), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)
