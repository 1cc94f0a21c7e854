"""What is fuzzed: every reader and every file beside a recipe, each as a function of the bytes of one file."""

from __future__ import annotations

import random
import tempfile
import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import corpus
import damage
import soundfiles
from corpus import Failure

from geoqa.core import raster, vector_files
from geoqa.core.errors import GeoqaError
from geoqa.readers import _gvx_vectors, companions, earlier_review
from geoqa.readers.nmea import stops
from geoqa.readers.recipe.recipe import job_from_table

#: Times as often as the others: quick ones, and those whose text geoqa reads itself.
OFTEN = 4


@dataclass(frozen=True)
class Target:
    """One kind of file: a sound one, and what judges a damaged one (`read`, `refused`, or a Failure)."""

    name: str
    sound: bytes
    judge: Callable[[bytes], str]
    weight: int = 1


def targets(folder: Path) -> list[Target]:
    """Return every target; their files are written into `folder`."""
    found = [_reader(folder, seed) for seed in soundfiles.seeds()]
    found += [*_tables(folder), *_recipes(folder), *_areas(folder), *_rasters(folder), _record(folder)]
    return found


def _reader(folder: Path, seed: soundfiles.Seed) -> Target:
    place = folder / seed.label.replace(".", "_")
    place.mkdir()
    job, write = job_from_table(seed.recipe), seed.place(place)
    each = seed.each_line
    often = OFTEN if seed.name.endswith((".csv", ".txt", ".asc", ".xml", ".geojson", ".nmea")) else 1
    return Target(
        f"reader {seed.label}", seed.content,
        lambda content: corpus.judge_reading(write(content), job, whole=len(content) % 8 == 0, each_line=each),
        often,
    )  # fmt: skip


def _tables(folder: Path) -> list[Target]:
    result, job = corpus.sound_rows(folder)
    looked_up, found = corpus.with_lookup(job), []
    for kind, text in soundfiles.BESIDE.items():
        path = folder / f"{kind}.csv"
        own = looked_up if kind == "lookup" else job
        found.append(
            Target(
                kind, text,
                lambda content, kind=kind, path=path, own=own: corpus.judge_beside(
                    kind, _written(path, content), result, own
                ),
                OFTEN,
            )
        )  # fmt: skip
    marked = b"point,start,end,antenna_height_m,dropped\nA1,2026-02-09T10:15:00Z,2026-02-09T10:20:00Z,2.000,yes\n"
    tested = b"series,set,point,x,y,h\n1,1,1,100.012,200.004,50.010\n1,1,2,104.001,203.010,50.021\n"
    known = b"point,easting,northing,ellipsoidal_height\nBASE-1,1600000.125,5400000.250,412.3711\n"

    def bases(path: Path) -> object:
        return _gvx_vectors.known_bases(replace(job, folder=str(path.parent)), path.name)

    return [
        *found,
        Target("bases", known, _plain(folder / "bases.csv", bases), OFTEN),
        Target("marks", marked, _plain(folder / "marks.csv", lambda path: stops.read_marks(path, job)), OFTEN),
        Target("field test", tested, _plain(folder / "x.csv", lambda p: companions.read_field_test(p, 1.0)), OFTEN),
    ]


def _recipes(folder: Path) -> list[Target]:
    path = folder / "fuzzed.toml"
    texts = {"recipe": corpus.sites.RECIPE.encode()} | {
        f"recipe {site}": (soundfiles.ROOT / "sample_data" / site / "site.toml").read_bytes()
        for site in ("totara_saddle", "lantern_fork")
    }
    return [
        Target(name, text, lambda content: corpus.judge_recipe(_written(path, content)), OFTEN)
        for name, text in texts.items()
    ]


def _areas(folder: Path) -> list[Target]:
    import geopandas as gpd
    import shapely

    frame = gpd.GeoDataFrame(
        {"cover": ["a", "b"]}, geometry=[shapely.box(0, 0, 3, 2), shapely.box(3, 0, 5, 7)], crs=2193
    )
    found = []
    for suffix in ("geojson", "gpkg", "fgb", "shp"):
        path = folder / f"areas.{suffix}"
        frame.to_file(path)
        read = _plain(path, lambda path: vector_files.areas(path, f"[canopy] areas {path.name!r}", column="cover"))
        found.append(Target(f"areas {suffix}", path.read_bytes(), read, OFTEN if suffix == "geojson" else 1))
    return found


def _rasters(folder: Path) -> list[Target]:
    import numpy as np
    import rasters

    job = job_from_table(soundfiles.PLANE)

    def read(path: Path) -> None:
        with raster.opened(path, job, "m") as heights:
            heights.read(-2, -2, 8, 8)

    sound = rasters.write(folder / "sound.tif", np.arange(48.0).reshape(6, 8)).read_bytes()
    return [Target("raster", sound, _plain(folder / "fuzzed.tif", read))]


def _record(folder: Path) -> Target:
    text = (
        b'{"recipe":{"site":{"crs":"EPSG:2193"},"input":{"unit":"m","initialization":"unknown",'
        b'"columns":{"point":1,"easting":2,"northing":3}},"tolerance":{"horizontal_m":0.05}},"accounts":{},"messages":[],"versions":{},"local_origin":[1,2],'
        b'"also":[{"file":"x.csv"}],"inputs":[{"file":"a","path":"a","sha256":"0"}]}'
    )
    place = folder / "review"
    place.mkdir()

    def read(path: Path) -> None:
        earlier_review.read_job(path.parent, earlier_review.read_record(path.parent))

    return Target("record", text, _plain(place / "run.json", read), OFTEN)


def _written(path: Path, content: bytes) -> Path:
    path.write_bytes(content)
    return path


def _plain(path: Path, read: Callable[[Path], object]) -> Callable[[bytes], str]:
    def judge(content: bytes) -> str:
        _written(path, content)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                read(path)
        except GeoqaError as error:
            return corpus._refusal(error)
        except Exception as error:
            raise Failure(f"{type(error).__name__}: {error}") from error
        return "read"

    return judge


def seeded(count: int, seed: int, found: list[Target]) -> list[tuple[Target, bytes]]:
    """Return so many damaged files, the same each time: every target by its weight."""
    dice = random.Random(seed)
    chosen = dice.choices(found, [target.weight for target in found], k=count)
    return [
        (target, damage.many_changes(target.sound, dice) if dice.random() < 0.8 else damage._spot(target.sound, dice))
        for target in chosen
    ]


def temporary() -> Path:
    """Return a new folder for the files of the targets."""
    return Path(tempfile.mkdtemp(prefix="geoqa-fuzz-"))
