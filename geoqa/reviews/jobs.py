"""Many jobs: found below a folder, each reviewed in a process of its own, and what became of them kept.

`in_child` is all that an engine is asked to run: it hands a job to a child process and waits. A child takes one job
after the other; one that hangs, takes too much memory or dies is replaced, and costs its job alone. The engine, a
thread pool here or a cluster of dask.distributed elsewhere, only says when and where.

``jobs.jsonl`` has a line for each job that ended, under the hash of all that its result rests on: what is there
already is not done again, and a run that is killed goes on where it was.
"""

from __future__ import annotations

import collections
import contextlib
import glob
import hashlib
import importlib
import json
import os
import queue
import subprocess
import sys
import tempfile
import threading
import time
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent import futures
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from geoqa.core import result_set
from geoqa.core.errors import CallError, GeoqaError, InputError, OutputError
from geoqa.core.units import counted
from geoqa.reviews import beside

#: Where results are, beside the recipe; what became of the jobs, in the overview's folder; what they taught.
RESULT, LEDGER, TAUGHT = "result", "jobs.jsonl", "experience.json"
#: A job that takes longer is given up, unless another limit is stated, seconds.
TIMEOUT_S = 600.0
#: How often a child's memory is looked at, seconds.
_LOOK_S = 0.1
#: Exit code of a job whose child ended without an answer.
_DIED = GeoqaError.exit_code

Row = dict[str, Any]
_Engine = tuple[futures.Executor, int, str]


def peak_mb(pid: str = "self", word: str = "VmHWM:") -> float:
    """Return the most memory that was in use, in MB of a million bytes; NaN where the system has no word for it."""
    with contextlib.suppress(OSError, IndexError):
        return beside.kb_in(f"{pid}/status", word) * 1024 / 1e6
    if pid != "self":
        return float("nan")
    try:
        import resource
    except ImportError:
        return float("nan")
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most * (1 if sys.platform == "darwin" else 1024) / 1e6


def forget_peak() -> None:
    """Let the system count the peak of memory anew; where it cannot (it is Linux that can), peaks only grow."""
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")


def in_use_mb(pid: int) -> float:
    """Return the memory that a process has in use, in MB; NaN where neither the system nor psutil tells."""
    if os.path.isdir("/proc/self"):  # noqa: PTH112, a question, not a path to work with
        return peak_mb(str(pid), "VmRSS:")
    try:
        psutil: Any = importlib.import_module("psutil")
        return float(psutil.Process(pid).memory_info().rss) / 1e6
    except Exception:  # not installed, or the process has just ended
        return float("nan")


# --- what is there to do ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Found:
    """A job: its recipe, the folder of its result, and how it is called."""

    recipe: Path
    result: Path
    folder: str

    @property
    def name(self) -> str:
        """The folder below the root, and the recipe's file name."""
        return f"{self.folder}/{self.recipe.name}".removeprefix("./")


def found(root: Path, results: Path | None = None, but: Iterable[Path] = ()) -> list[Found]:
    """Return the jobs below a folder, in order of their names: every recipe, sound or not.

    Hidden folders, results of reviews and the folders `but` are passed over, and links to folders are not followed.

    Raises
    ------
    CallError
        If `root` is no folder.
    """
    from geoqa.readers.recipe.recipe import is_recipe

    if not root.is_dir():
        raise CallError(f"{root}: there is no such folder. Name the folder that the jobs are in.")
    passed = {path.resolve() for path in (*but, *([results] if results else []))}
    jobs, seen = [], set[Path]()
    for place, below, names in os.walk(root):
        here = Path(place)
        if here.resolve() in passed or (here / result_set.RECORD).is_file():
            below.clear()
            continue
        below[:] = sorted(name for name in below if not name.startswith("."))
        recipes = {}
        for path in sorted((here / name for name in names), key=lambda path: (path.is_symlink(), path.name)):
            real = path.resolve()
            if path.name[0] != "." and real not in seen and is_recipe(path):
                recipes[real] = path
                seen.add(real)  # a link to one that is there is no other job
        told = here.relative_to(root).as_posix()
        beside = here if results is None else results / told
        for recipe in sorted(recipes.values()):
            result = RESULT if len(recipes) == 1 else f"{RESULT}-{recipe.stem}"
            jobs.append(Found(recipe, beside / result, told))
    return jobs


def contents_hash(job: Found) -> str:
    """Return what stands for a job's recipe and every file that it names, whatever for, as hexadecimal digits."""
    told = hashlib.sha256()
    for path in (job.recipe, *_named(job.recipe)):
        told.update(path.name.encode("utf-8", "surrogatepass"))
        try:
            with path.open("rb") as file:
                told.update(hashlib.file_digest(file, "sha256").digest())
        except OSError as error:
            told.update(str(error.errno).encode())
    return told.hexdigest()


def hash_of(contents: str, files: Iterable[str], experience: str) -> str:
    """Return what stands for all that a job's result rests on but the values of its prior, 16 hexadecimal digits.

    Its `contents_hash`, the versions of geoqa and what it is made with, the files asked for, and whether experience is
    used.
    """
    from geoqa.outputs.folder import versions

    return hashlib.sha256(json.dumps([contents, versions(), sorted(files), experience]).encode()).hexdigest()[:16]


def _named(recipe: Path) -> list[Path]:
    """Return the files that a recipe names in any of its values, patterns too, but for the experience."""
    words, left = list[str](), [value for name, value in _table(recipe).items() if name != "experience"]
    while left:
        value = left.pop()
        left += value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
        words += [value] if isinstance(value, str) and 0 < len(value) < 1000 and "\0" not in value else []
    paths = set[Path]()
    for word in words:
        with contextlib.suppress(OSError, ValueError, NotImplementedError, IndexError):
            one = recipe.parent / word
            paths |= {one} if one.is_file() else set()
            paths |= {path for path in recipe.parent.glob(word) if path.is_file()} if {*word} & {*"*?["} else set()
    # A shapefile is several files of one name.
    parts = {
        part for one in paths if one.suffix.lower() == ".shp" for part in one.parent.glob(f"{glob.escape(one.stem)}.*")
    }
    return sorted(paths | {part for part in parts if part.is_file()})


def _table(recipe: Path) -> dict[str, Any]:
    """Return what a recipe says, nothing where it is not sound."""
    try:
        return tomllib.loads(recipe.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError):
        return {}


# --- the child -------------------------------------------------------------------------------------------------------


def _row(request: Mapping[str, Any]) -> Row:
    """Review one job as its request says; return its row, what it taught, and what was thought before it."""
    begin = time.perf_counter()
    forget_peak()
    row: Row = {}
    try:
        row = _reviewed(request)
    except GeoqaError as error:
        row = {"exit_code": error.exit_code, "message": _first_line(error), "passing": isinstance(error, OutputError)}
    except Exception as error:
        row = {"exit_code": _DIED, "message": f"an error inside geoqa ({type(error).__name__}: {_first_line(error)})"}
    return row | {"seconds": round(time.perf_counter() - begin, 3), "peak_mb": round(peak_mb(), 1)}


def _reviewed(request: Mapping[str, Any]) -> Row:
    from dataclasses import replace

    from geoqa.readers.recipe.recipe import read_recipe
    from geoqa.reviews import review

    recipe, result = Path(request["recipe"]), Path(request["result"])
    given: Any = recipe
    if request["experience"]:
        stated = read_recipe(recipe)
        given = replace(stated, experience=replace(stated.experience, file=request["experience"]))
    if not request["teach"]:
        review.refuse_loss(result, [recipe], (), review.chosen(request["files"]))
    made = review.review((), given)
    if not request["teach"]:
        result.parent.mkdir(parents=True, exist_ok=True)
        written = made.write(result, files=request["files"])
    there = () if request["teach"] else [path.name for path in written]
    return told_of(made) | {"written": bool(there), **{name: f"{name}.html" in there for name in ("map", "report")}}


def told_of(made: Any) -> Row:
    """Return what the overview tells of a review: a value for each of its columns, and its `classes`.

    Beside them `taught`, as run.json has it, and `prior`, see `geoqa.core.experience.thought`.
    """
    from geoqa.core import experience
    from geoqa.core.arrays import np, pd
    from geoqa.core.frames.revisits import ACCEPT
    from geoqa.core.geodesy import LOCAL
    from geoqa.outputs.folder import versions
    from geoqa.outputs.overview import status_column

    frames, job = made.frames, made.job
    points, occupations, counts = frames["points"], frames["occupations"], made.counts
    given = points["deliver"] == "yes"
    start, end = occupations["start_utc"].min(), occupations["end_utc"].max()
    system, crs = job.grid.system, job.grid.system.crs
    place = points[["easting_m", "northing_m"]].dropna().to_numpy(float)
    lon, lat = system.to_lonlat(*place.mean(axis=0)[:, None]) if len(place) and system.text != LOCAL else (None, None)
    shifts, classes = frames["shifts"], frames["classes"].dropna(subset="canopy")
    figures = {"wrong": "wrong_fix_rate", "ratio_h": "precision_ratio_h", "ratio_v": "precision_ratio_v"}
    taught = made.record["experience"]["taught"]
    fixes = {(one["canopy"], one["solution"]): one["fixes"] for one in taught["classes"]}
    told = [
        {"canopy": one["canopy"], "solution": one["solution"], "fixes": fixes.get((one["canopy"], one["solution"]))}
        | {f"{name}{side}": one[f"{of}{side}"] for name, of in figures.items() for side in ("", "_low", "_high")}
        for one in classes.astype("object").where(classes.notna(), None).to_dict("records")
    ]
    held = pd.Series(dtype=float)
    if (waits := frames.get("waits")) is not None:
        held = waits.loc[(waits["until"].astype("str") == "hold") & waits["canopy"].isna(), "half_s"].dropna()
    control, revisits = frames.get("control_checks"), frames.get("revisits")
    row = {
        "name": job.site.name, "system": f"EPSG:{crs.to_epsg()}" if crs.to_epsg() else system.name,
        "lon": lon, "lat": lat, "first_utc": start, "last_utc": end, "group": job.experience.group,
        "points": len(points), **{status_column(key): n for key, n in counts["status"].items()},
        "delivered": int(given.sum()),
        "again": None if revisits is None else int((revisits["action_key"] != ACCEPT).sum()),
        "expected_outside": float(points.loc[given, "risk"].sum()),
        "shifts": "; ".join(dict.fromkeys(shifts.loc[shifts["suspicious"].astype(bool), "setup"].astype("str"))),
        "control": "" if control is None or control.empty else
        f"{len(control)} compared, the farthest {control['horizontal_m'].max():.3f} m off",
        "exit_code": made.exit_code, "message": "; ".join(f"{k}: {_first_line(v)}" for k, v in made.failed.items()),
        "version": versions()["geoqa"], "fix_s": held.iloc[0] if len(held) else None, "classes": told,
        "taught": taught,
        "prior": experience.thought(frames["experience"]) if "experience" in frames else None,
    }  # fmt: skip

    def plain(value: Any) -> Any:
        if isinstance(value, (list, tuple)):
            return [plain(one) for one in value]
        if isinstance(value, Mapping):
            return {key: plain(one) for key, one in value.items()}
        if isinstance(value, pd.Timestamp):
            return value.isoformat()
        if isinstance(value, (np.generic, np.ndarray)):
            value = value.item()
        return None if value is pd.NaT or value is pd.NA or value != value else value

    return {key: plain(value) for key, value in row.items()}


def _first_line(error: object) -> str:
    lines = str(error).splitlines() or [""]
    more = lines[1].strip() if lines[0].endswith(":") and len(lines) > 1 else ""
    return f"{lines[0]} {more}".strip()[:500]


def serve() -> None:
    """Take requests from standard input, a line each, and answer on what was standard output; end with the caller."""
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # whatever a library prints is no answer
    asked: queue.SimpleQueue[str] = queue.SimpleQueue()

    def read() -> None:
        for line in sys.stdin:
            asked.put(line)
        os._exit(0)  # whoever asked is gone

    threading.Thread(target=read, daemon=True).start()
    while True:
        row = _row(json.loads(asked.get()))
        answers.write(json.dumps(row) + "\n")
        answers.flush()


# --- who asks it -----------------------------------------------------------------------------------------------------


class _Child:
    """A process that reviews one job after the other."""

    def __init__(self) -> None:
        self._said: IO[bytes] = tempfile.TemporaryFile()  # noqa: SIM115, closed when the child ends
        self._process = subprocess.Popen(
            [sys.executable, "-c", "from geoqa.reviews.jobs import serve; serve()"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self._said, text=True, encoding="utf-8",
        )  # fmt: skip
        self._answers: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()

    def _listen(self) -> None:
        assert self._process.stdout
        with self._process.stdout as answers:
            for line in answers:
                self._answers.put(line)
        self._answers.put("")

    def ask(self, request: Mapping[str, Any]) -> tuple[Row, bool]:
        """Return the row of a job, and whether the child may go on."""
        begin, most = time.monotonic(), 0.0
        with contextlib.suppress(OSError):  # it has ended: no answer comes
            assert self._process.stdin
            self._process.stdin.write(json.dumps(request) + "\n")
            self._process.stdin.flush()
        why = answer = ""
        while not why:
            with contextlib.suppress(queue.Empty):
                answer = self._answers.get(timeout=_LOOK_S)
                break
            used = in_use_mb(self._process.pid)
            most = max(most, used)
            if time.monotonic() - begin > request["timeout"]:
                why = f"took longer than {request['timeout']:g} s, and was stopped; --timeout allows more"
            elif request["memory"] and used > request["memory"]:
                why = f"took more than {request['memory']:g} MB of memory, and was stopped; --memory allows more"
        if answer:
            return dict(json.loads(answer)), True
        if not why:
            code = self._process.wait()
            self._said.seek(max(0, self._said.seek(0, os.SEEK_END) - 500))
            last = self._said.read().decode("utf-8", "replace").strip().splitlines()[-1:]
            why = f"its process ended with {code}" + (f": {last[0]}" if last else ", as when another program stops it")
        self.end()
        took = round(time.monotonic() - begin, 3)
        return {"exit_code": _DIED, "message": why, "seconds": took, "peak_mb": round(most, 1)}, False

    def end(self) -> None:
        """Stop the process."""
        self._process.kill()
        self._process.wait()
        self._listener.join()
        for stream in (self._process.stdin, self._said):
            with contextlib.suppress(OSError):
                stream.close() if stream else None


#: Children of this process: all, and those that wait for a job.
_ALL: set[_Child] = set()
_IDLE: collections.deque[_Child] = collections.deque()


def in_child(request: Mapping[str, Any]) -> Row:
    """Return the row of one job, reviewed in a child of this process; see `serve`."""
    try:
        child = _IDLE.pop()
    except IndexError:
        child = _Child()
        _ALL.add(child)
    row, sound = child.ask(request)
    if sound:
        _IDLE.append(child)
    else:
        _ALL.discard(child)
    return row


def end_children() -> None:
    """Stop all children of this process, whatever they do."""
    while _ALL:
        _ALL.pop().end()
    _IDLE.clear()


# --- what is there already -------------------------------------------------------------------------------------------


class Ledger:
    """What became of jobs: the last entry of each hash, kept in a file that only grows."""

    def __init__(self, path: Path) -> None:
        self._path, self._entries, self._torn = path, dict[str, Row](), False
        with contextlib.suppress(FileNotFoundError), path.open("rb") as file:
            for line in file:
                self._torn = not line.endswith(b"\n")  # a stop cut it short
                with contextlib.suppress(ValueError, TypeError, KeyError):
                    entry = json.loads(line)
                    self._entries[entry["hash"]] = entry

    def __getitem__(self, name: str) -> Row:
        """Return the entry of a hash, an empty one where there is none."""
        return self._entries.get(name, {})

    def add(self, name: str, row: Row) -> None:
        """Keep what became of a job; a result that could not be written is for this run alone, the next tries again.

        Raises
        ------
        OutputError
            If it cannot be written.
        """
        self._entries[name] = {"hash": name} | row
        if row.get("passing"):
            return
        try:
            with self._path.open("ab") as file:
                file.write(b"\n" * self._torn + json.dumps(self._entries[name]).encode() + b"\n")
            self._torn = False
        except OSError as error:
            raise OutputError(f"{self._path}: cannot be written: {error.strerror or error}.") from error


# --- the run ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Wish:
    """How jobs are to be reviewed; see `geoqa jobs --help`."""

    files: tuple[str, ...] = ()
    timeout: float = TIMEOUT_S
    memory: float | None = None
    again: bool = False
    experience: Path | None = None
    pool: bool = False


@dataclass
class Tally:
    """How far a run is."""

    whole: int
    done: int = 0
    failed: int = 0
    begin: float = field(default_factory=time.monotonic)

    def __str__(self) -> str:
        took, left = time.monotonic() - self.begin, self.whole - self.done
        told = f"{self.done:,} done, {self.failed:,} failed, {left:,} left"
        if not (self.done and left):
            return told
        until_s = left * took / self.done
        until = f"{until_s / 60:.0f} min" if until_s >= 60 else f"{until_s:.0f} s"
        return f"{told}, {self.done / took:.2g} jobs a second, {until} left"


@contextlib.contextmanager
def engine(workers: int, scheduler: str | None) -> Iterator[_Engine]:
    """Give what runs `in_child`: an executor, how many jobs it takes at a time, and a line on where to watch it.

    Raises
    ------
    CallError
        If dask.distributed is not installed, or no scheduler answers.
    """
    if scheduler is None:
        with futures.ThreadPoolExecutor(workers) as pool:
            try:
                yield pool, workers, ""
            finally:
                pool.shutdown(wait=False, cancel_futures=True)
                end_children()
        return
    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError:
        raise CallError(
            "--scheduler needs dask.distributed, which is not installed: pip install 'geoqa-survey[cluster]'."
        ) from None
    try:
        client = distributed.Client(scheduler, timeout=10, set_as_default=False)
    except (OSError, ValueError) as error:
        raise CallError(f"--scheduler {scheduler}: no scheduler answers there ({_first_line(error)}).") from None
    try:
        slots = sum(client.nthreads().values())
        if not slots:
            raise CallError(f"--scheduler {scheduler}: it has no workers. Start one: dask worker {scheduler}")
        yield client.get_executor(pure=False), slots, f"the engine shows what it does at {client.dashboard_link}"
    finally:
        with contextlib.suppress(Exception):
            client.close(timeout=2)


def run(
    jobs: list[Found], out: Path, wish: Wish, workers: int = 1, scheduler: str | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> tuple[list[Row], list[str]]:  # fmt: skip
    """Review the jobs that are not reviewed yet, and keep what became of them in `out`, and what they taught.

    Returns
    -------
    list of dict
        A row for each of `jobs`, see `told_of`, with what the overview shows beside.
    list of str
        What people should know.

    Raises
    ------
    CallError, InputError, OutputError
        If the engine is not there, or goes away, or a file cannot be read or written.
    """
    path, notes = wish.experience, list[str]()
    with contextlib.ExitStack() as stack:
        try:
            stack.enter_context(result_set.holding(out / ".geoqa-jobs" / result_set.LOCK))
        except result_set.HeldError:
            raise CallError(f"{out}: another run reviews jobs there now. Wait until that has ended.") from None
        except OSError as error:
            raise OutputError(f"{out}: cannot be written: {error.strerror or error}.") from error
        ledger = Ledger(out / LEDGER)
        contents = {job: contents_hash(job) for job in jobs}
        work = _Work(lambda: stack.enter_context(engine(workers, scheduler)), ledger, say)
        if wish.pool:
            plain = {job: hash_of(contents[job], (), "teach") for job in jobs}
            work(
                [
                    _Asked(job, name, wish, "", teach=True)
                    for job, name in plain.items()
                    if wish.again or not ledger[name]
                ]
            )
            path = out / TAUGHT
            notes = _keep_taught([(job, ledger[name]) for job, name in plain.items()], path)
        stated = "" if path is None else str(path.absolute())
        hashes = {job: hash_of(contents[job], wish.files, "given" if stated else "") for job in jobs}
        thought = _Thought(stated)
        asked = [job for job, name in hashes.items() if wish.again or not thought.still(job, ledger[name])]
        say(f"{counted(len(jobs), 'job')}: {len(asked):,} to review, {len(jobs) - len(asked):,} as they were")
        work([_Asked(job, hashes[job], wish, stated) for job in asked])
    if not wish.pool:
        notes = _keep_taught([(job, ledger[name]) for job, name in hashes.items()], out / TAUGHT)
    rows = []
    for job, name in hashes.items():
        files = Path(os.path.relpath(job.result, out)).as_posix() if ledger[name].get("written") else ""
        rows.append(ledger[name] | {"folder": job.folder, "recipe": job.recipe.name, "files": files})
    return rows, notes


class _Asked:
    """A job as it is asked for: under which hash it is kept, and what a child is told."""

    def __init__(self, job: Found, name: str, wish: Wish, experience: str, teach: bool = False) -> None:
        self.job, self.name = job, name
        self.request = {
            "recipe": str(job.recipe.absolute()), "result": str(job.result.absolute()), "files": wish.files,
            "timeout": wish.timeout, "memory": wish.memory, "experience": experience, "teach": teach,
        }  # fmt: skip


class _Work:
    """Reviews jobs by an engine that is started when the first is asked for."""

    def __init__(self, start: Callable[[], _Engine], ledger: Ledger, say: Callable[[str], None]) -> None:
        self._start, self._ledger, self._say = start, ledger, say
        self._engine: _Engine | None = None

    def __call__(self, asked: list[_Asked]) -> None:
        if not asked:
            return
        if self._engine is None:
            self._engine = self._start()
            if self._engine[2]:
                self._say(self._engine[2])
        executor, slots, _ = self._engine
        tally, left, at_work = Tally(len(asked)), iter(asked), dict[futures.Future[Row], _Asked]()
        last = time.monotonic()
        while True:
            # A few more at a time than there are slots: nobody waits, and what is under way stays small.
            for one in left:
                at_work[executor.submit(in_child, one.request)] = one
                if len(at_work) >= 2 * slots:
                    break
            if not at_work:
                break
            for ended in futures.wait(at_work, timeout=1, return_when=futures.FIRST_COMPLETED).done:
                one = at_work.pop(ended)
                row = self._row_of(ended, tally)
                self._ledger.add(one.name, row)
                tally.done += 1
                if row["exit_code"] > 1:
                    tally.failed += 1
                    self._say(f"{one.job.name}: {row['message']}")
            if time.monotonic() - last > 2:
                last = time.monotonic()
                self._say(str(tally))
        self._say(str(tally))

    def _row_of(self, ended: futures.Future[Row], tally: Tally) -> Row:
        try:
            return ended.result()
        except (GeoqaError, KeyboardInterrupt):
            raise
        except (Exception, futures.CancelledError) as error:
            if type(error).__name__ == "KilledWorker":  # the engine tried it on several workers, and each died
                return {"exit_code": _DIED, "message": _first_line(error)}
            raise CallError(
                f"the engine went away ({type(error).__name__}: {_first_line(error)}): {tally}. The "
                "same command goes on with those that are left."
            ) from error


def _keep_taught(entries: list[tuple[Found, Row]], path: Path) -> list[str]:
    """Write what jobs taught as experience, as `geoqa experience add` does; return what people should know."""
    from geoqa.core import experience
    from geoqa.outputs import folder

    content = experience.nothing()
    given = [(job, entry) for job, entry in entries if entry.get("taught", {}).get("classes")]
    made = experience.add_all(content, [(entry["taught"], entry["group"]) for _, entry in given])
    notes = [
        f"{job.name}: not in the experience: {fault}"
        for (job, _), (*_, fault) in zip(given, made, strict=True)
        if fault
    ]
    if path.is_file() and experience.same(experience.read(path), content):
        return notes
    with folder.replacing_file(path) as staging:
        staging.write_text(experience.as_text(content), encoding="utf-8")
    return notes


class _Thought:
    """What the priors of jobs rest on now: files of experience, each read once."""

    def __init__(self, stated: str) -> None:
        self._stated, self._known = stated, dict[Path, Any]()

    def still(self, job: Found, entry: Row) -> bool:
        """Return whether an entry still holds: its result is there, and what was thought before it is thought now."""
        if not entry or (entry.get("written") and not (job.result / "run.json").is_file()):
            return False
        path = Path(self._stated) if self._stated else _experience_of(job.recipe)
        if path is None or "prior" not in entry:
            return True
        from geoqa.core import experience

        if path not in self._known:
            try:
                self._known[path] = experience.Shared(experience.read(path))
            except InputError:
                self._known[path] = None
        shared = self._known[path]
        return shared is not None and shared.thought(entry["taught"]["rows"], entry["group"]) == entry["prior"]


def _experience_of(recipe: Path) -> Path | None:
    """Return the experience that a recipe names, None where it names none."""
    named = _table(recipe).get("experience")
    file = named.get("file") if isinstance(named, dict) else None
    return recipe.parent / file if isinstance(file, str) else None
