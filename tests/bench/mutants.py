"""Would the tests see it? Small faults put into the numerical modules one at a time, and who notices.

python tests/bench/mutants.py [--mutants 440] [--seed 16] [--only spread landxml] [--planted] [--show]

Needs `pip install -e ".[test,mutants]"` and a system that forks. First every test is run once and what lines it runs
is kept (--profile FILE keeps that between calls; then only what has changed since is run again). Then, for each fault,
the tests of the room (ROOMS), else of the wing (tests/core, tests/analysis), that run the line are run, those of the
module's own file first and those of whole sample sites (LAST) at the end, until one fails.
Each fault has a process of its own, forked from one that has the libraries loaded and has never seen geoqa. Printed:
the share killed by module with its 95 % interval (Wilson), all survivors with the line before and after, and those
judged to change nothing (bench.equivalent), which do not count.

With --planted the faults that people made by hand (bench.planted) are put in instead.
"""

from __future__ import annotations

import argparse
import contextlib
import difflib
import gc
import importlib.abc
import importlib.machinery
import importlib.util
import io
import json
import multiprocessing
import os
import random
import signal
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from pathlib import Path

import pytest

# One core each, and numbers that do not depend on how many there are.
os.environ |= {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MPLBACKEND": "Agg"}
ROOT = Path(__file__).resolve().parents[2]
# The package of this tree, whatever is installed.
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from bench import equivalent, mutations, planted  # noqa: E402

#: Modules of core and of outputs that reckon; of analysis all do but those that only hold words.
CORE = (
    "clock", "geodesy", "raster", "recipe", "units", "vector_files", "site/assembly", "site/matching", "statistics/*",
)  # fmt: skip
OUTPUTS = (
    "deliver/*", "field/walk", "layers/positions", "map/block", "map/grid_fit", "map/packing",
    "tables",
)  # fmt: skip
WORDS_ONLY = ("__init__", "history")
#: Tests of outputs by room: the whole wing opens browsers and draws pictures. And what stands elsewhere.
_FILES = ("tests/outputs/deliver", "tests/outputs/test_uneven_files.py", "tests/outputs/test_files.py")
_MAP = (
    "tests/outputs/layers/test_layers.py",
    "tests/outputs/map/test_packing.py",
    "tests/outputs/test_uneven_files.py",
)
ROOMS = {
    "outputs/deliver": (*_FILES, "tests/reviews/test_deliveries.py"),
    "outputs/csv_tables": _FILES,
    "outputs/field": ("tests/outputs/field/test_field.py", "tests/outputs/test_uneven_files.py"),
    "outputs/map/grid_fit": ("tests/outputs/map/test_grid_fit.py", *_MAP),
    "core/statistics": ("tests/core", "tests/analysis"),
    "outputs": (*_MAP, "tests/outputs/report/test_report.py"),
    "core/raster": ("tests/core", "tests/readers/test_horizon.py", "tests/readers/test_surroundings.py"),
}
#: Tests that count rates over many simulated sites: slow, and a single fault seldom moves a rate.
LEFT_OUT = (
    "test_the_unit_of_the_job_does_not_matter", "test_the_direction_of_north_does_not_matter", "test_lengths_scale",
    "test_risk_does_not_know_the_order_of_the_rows", "test_what_every_judged_site_keeps", "test_times_order_the_rows",
    "test_parts_have_the_risk_of_the_whole", "test_intervals_hold_the_truth_about_as_often_as_they_say",
    "test_no_site_breaks_the_chain", "test_sixty_shots_of_one_visit", "test_parts_of_whole_points_give",
    "test_any_table_is_read_or_refused", "test_same_classes_are_rarely_said_to_differ", "test_the_place_of_the_site",
    "test_the_test_of_the_status_finds_a_bias", "test_a_log_of_many_set_ups_blames_few", "test_the_order_of_the_rows",
    "test_the_status_of_points_finds_a_bias", "test_no_more_than_half_again_the_truth", "test_each_occupation_is_comp",
)  # fmt: skip
#: Seconds of processor that tests of one fault may have taken when the code was sound: the nearest, then the quickest.
BUDGET_S = 6.0
#: Tests of the whole chain on sample sites, which are asked last.
LAST = "tests/analysis/test_sample_frames.py"
#: Tests of what is declared, asked of every fault outside functions: no test can be seen to run such a line.
DECLARED = "tests/analysis/test_options.py"
#: What a library costs to import is paid once.
_LOADED = (
    "numpy", "pandas", "scipy.special", "scipy.stats", "scipy.optimize", "scipy.spatial", "scipy.sparse", "geopandas",
    "shapely", "pyproj", "pyogrio", "pyarrow", "pyarrow.csv", "pyarrow.parquet", "pytest", "hypothesis", "folium",
    "click", "matplotlib.pyplot", "openpyxl", "ezdxf", "rasterio", "lxml.etree", "coverage", "statsmodels.api", "esda",
)  # fmt: skip


def numerical() -> list[str]:
    """Return the numerical modules, as paths from the root."""
    package = ROOT / "geoqa"
    some = [path for name in CORE for path in (package / "core").glob(f"{name}.py")]
    some += [path for name in OUTPUTS for path in (package / "outputs").glob(f"{name}.py")]
    some += (package / "analysis").rglob("*.py")
    kept = {p for p in some if p.exists() and p.stem not in WORDS_ONLY}
    return sorted(str(p.relative_to(ROOT)) for p in kept)


def sample(modules: Sequence[str], wanted: int, seed: int) -> list[tuple[mutations.Mutation, str]]:
    """Return faults and the texts they make: of each module some, more of a longer one, of each kind alike.

    What one module gives does not depend on the others' text.
    """
    every = {module: mutations.found(ROOT, module) for module in modules}
    size = {module: len(found) ** 0.5 for module, found in every.items() if found}
    made = []
    for module in size:
        count = max(2, round(wanted * size[module] / sum(size.values())))
        dice = random.Random(f"{seed} {module}")
        kinds = defaultdict(list)
        for fault in every[module]:
            kinds[fault.kind].append(fault)
        for found in kinds.values():
            dice.shuffle(found)
        order = sorted(kinds)
        dice.shuffle(order)
        texts = {(ROOT / module).read_text()}
        while count and any(kinds.values()):
            for kind in order:
                if not count or not kinds[kind]:
                    continue
                fault = kinds[kind].pop()
                text = fault.text(ROOT)
                if text not in texts and _compiles(text):
                    texts.add(text)
                    made.append((fault, text))
                    count -= 1
    return made


def _compiles(text: str) -> bool:
    try:
        compile(text, "", "exec")
    except SyntaxError:
        return False
    return True


# ---- which tests run which lines -------------------------------------------------------------------------------


class _Follow:
    """A plugin of pytest: tells coverage which test, or which shared fixture, a line is run by."""

    def __init__(self, measured) -> None:
        self.measured, self.seconds, self.failed, self.fixtures = measured, dict[str, float](), set[str](), {}
        self._now = ""

    def pytest_collection_modifyitems(self, items):
        items[:] = [item for item in items if not item.name.startswith(LEFT_OUT)]

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item, nextitem):
        start = time.process_time()  # of this process: others may be at work on the machine
        self._now = item.nodeid
        self.fixtures[item.nodeid] = [f"fixture {item.path.name} {name}" for name in item.fixturenames]
        self.measured.switch_context(item.nodeid)
        told = yield
        self.seconds[item.nodeid] = time.process_time() - start
        return told

    def pytest_fixture_setup(self, fixturedef, request):
        if fixturedef.scope != "function":
            path = request.node.path.name if fixturedef.scope == "module" else ""
            self.measured.switch_context(f"fixture {path} {fixturedef.argname}")

    def pytest_fixture_post_finalizer(self, fixturedef, request):
        self.measured.switch_context(self._now)

    def pytest_pyfunc_call(self, pyfuncitem):
        self.measured.switch_context(pyfuncitem.nodeid)

    def pytest_runtest_logreport(self, report):
        if report.failed:
            self.failed.add(report.nodeid)


def profile(folders: Iterable[str]) -> dict:
    """Run the tests once; return by module and line which run it, and the seconds of each."""
    import coverage

    measured = coverage.Coverage(source=["geoqa"], data_file=None, config_file=False)
    follow = _Follow(measured)
    with contextlib.redirect_stdout(io.StringIO()) as said:
        measured.start()
        code = pytest.main([*_QUIET, "--maxfail=10", *sorted(set(folders))], plugins=[follow])
        measured.stop()
    if code not in (0, 1) or len(follow.failed) > 9:
        raise SystemExit(said.getvalue()[-3000:])
    for test in follow.failed:
        print(f"fails without any fault and is left out: {test}", file=sys.stderr)
    by_fixture = defaultdict(list)
    for test, names in follow.fixtures.items():
        for name in names:
            by_fixture[name].append(test)
            by_fixture[f"fixture  {name.split(' ', 2)[2]}"].append(test)
    data, lines = measured.get_data(), {}
    for file in data.measured_files():
        module = str(Path(file).relative_to(ROOT))
        lines[module] = {
            str(line): sorted({t for c in contexts if c for t in (by_fixture[c] if c.startswith("fixture ") else [c])})
            for line, contexts in data.contexts_by_lineno(file).items()
        }
    sound = {test: spent for test, spent in follow.seconds.items() if test not in follow.failed}
    return {"seconds": sound, "lines": lines}


_QUIET = (
    "-q", "--no-header", "--tb=no", "-p", "no:cacheprovider", "-m", "not browser and not bench",
    "--rootdir", str(ROOT), "-W", "ignore::pytest.PytestAssertRewriteWarning",
)  # fmt: skip


def folders(module: str) -> tuple[str, ...]:
    """Return the tests of a module's room, else of its wing."""
    inside = module.removeprefix("geoqa/").removesuffix(".py")
    own = next((tests for room, tests in ROOMS.items() if inside.startswith(room)), ())
    return own or (f"tests/{inside.split('/')[0]}",)


def tests_for(fault: mutations.Mutation, seen: dict, budget_s: float = BUDGET_S) -> list[list[str]]:
    """Return the tests to run in three stages: the nearest, the quickest of the others within the budget, the last."""
    lines = seen["lines"].get(fault.module, {})
    wing = folders(fault.module)
    run = set(lines.get(str(fault.line), ()))
    stem = Path(fault.module).stem
    names = {f"test_{stem}.py", f"test_{stem.removesuffix('s')}.py", f"test_{stem}s.py"}

    def near(test: str) -> bool:
        return Path(test.split("::")[0]).name in names

    if not fault.function or not run:  # a constant, a default: read when the module is loaded
        run |= {test for tests in lines.values() for test in tests}
        run |= {test for test in seen["seconds"] if test.startswith(DECLARED)}
    run |= {test for test in seen["seconds"] if near(test)}

    def far(test: str) -> tuple[bool, float]:
        return not near(test) and not test.startswith(DECLARED), seen["seconds"].get(test, 0.0)

    chosen, spent = [], 0.0
    for test in sorted(
        (t for t in run if t.startswith(wing) and t in seen["seconds"] and not t.startswith(LAST)), key=far
    ):
        spent += seen["seconds"].get(test, 0.0)
        if chosen and spent > budget_s:
            break
        chosen.append(test)
    first = [test for test in chosen if not far(test)[0]]
    last = sorted((t for t in run if t.startswith(LAST) and t in seen["seconds"]), key=far)
    return [stage for stage in (first, chosen[len(first) :], last) if stage]


# ---- one fault -------------------------------------------------------------------------------------------------


class _Faulty(importlib.abc.MetaPathFinder, importlib.machinery.SourceFileLoader):
    """Finds one module with another text."""

    def __init__(self, module: str, text: str) -> None:
        self.fullname = module.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
        super().__init__(self.fullname, str(ROOT / module))
        self.text = text

    def find_spec(self, fullname, path=None, target=None):
        if fullname != self.fullname:
            return None
        return importlib.util.spec_from_file_location(fullname, self.path, loader=self)

    def get_code(self, fullname):
        return compile(self.text, self.path, "exec")


class _First:
    """A plugin of pytest: keeps the first test that failed."""

    def __init__(self) -> None:
        self.failed = ""

    def pytest_runtest_logreport(self, report):
        if report.failed and not self.failed:
            self.failed = report.nodeid

    def pytest_collectreport(self, report):
        if report.failed and not self.failed:
            self.failed = f"{report.nodeid} (cannot be collected)"


def run_with(module: str, text: str, tests: Sequence[Sequence[str]], limit_s: float) -> tuple[str, str]:
    """Return what became of a fault, and which test saw it: killed, survived, or error where it could not be tried.

    One that hangs is seen too. The tests are in stages, so that those are not loaded which nobody will ask.
    """
    if not tests:
        return "survived", "no test runs the line"
    told, tell = os.pipe()
    child = os.fork()
    if not child:
        os.close(told)
        code = 70
        try:
            sys.meta_path.insert(0, _Faulty(module, text))
            silent = os.open(os.devnull, os.O_WRONLY)
            os.dup2(silent, 1), os.dup2(silent, 2)
            first = _First()
            for stage in tests:
                code = int(pytest.main([*_QUIET, "-x", *stage], plugins=[first]))
                if code:
                    break
            os.write(tell, first.failed.encode()[:4000])
        except BaseException as error:
            os.write(tell, repr(error).encode()[:4000])
        finally:
            os._exit(code)
    os.close(tell)
    until = time.monotonic() + limit_s
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            break
        if time.monotonic() > until:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            os.close(told)
            return "killed", f"no end after {limit_s:.0f} s"
        time.sleep(0.01)
    with os.fdopen(told, "rb") as pipe:
        failed = pipe.read().decode()
    code = os.waitstatus_to_exitcode(status)
    if code == 0:
        return "survived", ""
    if code in (4, 5, 70) and "cannot be collected" not in failed:
        return "error", f"pytest ended with {code}: {failed}"
    return "killed", failed or f"exit {code}"


# ---- the whole -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Outcome:
    """What became of one fault."""

    module: str
    where: str
    line: int
    before: str
    after: str
    how: str
    by: str

    @property
    def key(self) -> tuple[str, str, str, str]:
        """What stays the same when lines move."""
        return self.module, self.where, self.before, self.after


def changed_lines(before: str, after: str) -> tuple[str, str]:
    """Return what stood and what stands in the lines that differ."""
    parts = [line for line in difflib.ndiff(before.splitlines(), after.splitlines()) if line[:2] in ("- ", "+ ")]
    return tuple(" ".join(line[2:].strip() for line in parts if line[0] == mark) for mark in "-+")  # type: ignore[return-value]


def wilson(hits: int, of: int, z: float = 1.959964) -> tuple[float, float]:
    """Return the 95 % interval of a share (Wilson, JASA 22, 1927)."""
    if not of:
        return 0.0, 1.0
    share, wide = hits / of, z * z / of
    middle, half = share + wide / 2, z * (share * (1 - share) / of + wide / (4 * of)) ** 0.5
    return (middle - half) / (1 + wide), (middle + half) / (1 + wide)


def one(fault: mutations.Mutation, text: str, tests: Sequence[Sequence[str]], usual: float) -> Outcome:
    """Put one fault in; return what became of it. `usual` is what the tests take otherwise, in seconds."""
    how, by = run_with(fault.module, text, tests, 60 + 10 * usual)
    before, after = changed_lines((ROOT / fault.module).read_text(), text)
    return Outcome(fault.module, fault.function, fault.line, before, after, how, by)


def tried(faults, seen: dict, asked: argparse.Namespace) -> list[Outcome]:
    """Put every fault in that the log does not know as killed; return what became of each."""
    log, known = asked.log, dict[tuple, Outcome]()
    if log and log.exists():
        known = {o.key: o for o in map(_outcome, log.read_text().splitlines())}
    outcomes, left = [], []
    for fault, text in faults:
        lines = changed_lines((ROOT / fault.module).read_text(), text)
        old = known.get((fault.module, fault.function, *lines))
        if old and old.how == "killed":
            outcomes.append(old)
        elif old or not asked.again:
            left.append((fault, text))
    random.Random(0).shuffle(left)  # so that what is done when it is stopped is a sample too
    work = []
    for fault, text in left:
        tests = tests_for(fault, seen, asked.budget)
        usual = sum(seen["seconds"].get(test, 0.0) for stage in tests for test in stage)
        work.append((fault, text, tests, usual))
    seen.clear()
    gc.collect(), gc.freeze()  # what is large is not to be looked through in every process
    with ProcessPoolExecutor(asked.jobs, mp_context=multiprocessing.get_context("fork")) as pool:
        waiting = [pool.submit(one, *each) for each in work]
        for done in as_completed(waiting):
            outcome = done.result()
            outcomes.append(outcome)
            if asked.show:
                print(f"{outcome.how:<8} {outcome.module}:{outcome.line}  {outcome.after}  {outcome.by}", flush=True)
            if log:
                with log.open("a") as file:
                    file.write(json.dumps(asdict(outcome)) + "\n")
    return outcomes


def _outcome(line: str) -> Outcome:
    return Outcome(**json.loads(line))


def report(outcomes: Sequence[Outcome]) -> None:
    """Print the shares and the survivors."""
    known = equivalent.REASONS
    for each in outcomes:
        if each.how == "error":
            print(f"NOT TRIED {each.module}:{each.line}  {each.after}  {each.by}")
    outcomes = [each for each in outcomes if each.how != "error"]
    counted = [each for each in outcomes if each.how == "killed" or each.key not in known]
    print(f"\n{'module':<44} {'killed':>9}  share   95 % interval")
    for module in sorted({each.module for each in outcomes}):
        these = [each for each in counted if each.module == module]
        _line(module, sum(each.how == "killed" for each in these), len(these))
    _line("all", sum(each.how == "killed" for each in counted), len(counted))
    near = sum(
        Path(each.by.split("::")[0]).stem.removeprefix("test_") in each.module
        for each in counted
        if each.how == "killed"
    )
    last = sum(each.by.startswith(LAST) for each in counted)
    print(f"killed by the module's own test file: {near}; by sample sites alone: {last}")
    left = [each for each in counted if each.how == "survived"]
    print(f"\n{len(left)} survivors")
    for each in left:
        print(f"\n{each.module}:{each.line} in {each.where or 'the module'}  {each.by}")
        print(f"  - {each.before}\n  + {each.after}")
    same = [each for each in outcomes if each.how == "survived" and each.key in known]
    print(f"\n{len(same)} judged to change nothing that anybody could see")
    for each in same:
        print(f"{each.module}: {each.before}  ->  {each.after}: {known[each.key]}")


def _line(name: str, killed: int, of: int) -> None:
    low, high = wilson(killed, of)
    print(f"{name:<44} {killed:>4}/{of:<4} {100 * killed / max(of, 1):5.1f} %  {100 * low:3.0f} to {100 * high:.0f} %")


def main(given: Sequence[str] | None = None) -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--mutants", type=int, default=440)
    parser.add_argument("--seed", type=int, default=16)
    parser.add_argument("--only", nargs="+", default=[], help="words in the module's path")
    parser.add_argument("--planted", action="store_true", help="the faults made by hand")
    parser.add_argument("--profile", type=Path, help="file that keeps which test runs which line")
    parser.add_argument("--show", action="store_true", help="a line a fault")
    parser.add_argument("--budget", type=float, default=BUDGET_S, help="seconds that tests of a fault may usually take")
    parser.add_argument("--jobs", type=int, default=1, help="faults tried at a time")
    parser.add_argument("--again", action="store_true", help="only what the log knows; of that, what survived is tried")
    parser.add_argument("--log", type=Path, help="file that keeps outcomes; what it knows as killed is not tried again")
    asked = parser.parse_args(given)
    if not hasattr(os, "fork"):
        parser.error("this needs a system that forks; on Windows run it in a Linux of its own")
    os.chdir(ROOT)
    modules = [m for m in numerical() if not asked.only or any(word in m for word in asked.only)]
    start = time.monotonic()
    faults = planted.faults(ROOT) if asked.planted else sample(modules, asked.mutants, asked.seed)
    wings = {LAST} | {folder for fault, _ in faults for folder in folders(fault.module)}
    files, seen = test_files(wings), {"seconds": {}, "lines": {}}
    if asked.profile and asked.profile.exists():
        seen = read_profile(asked.profile)
        known_at = asked.profile.stat().st_mtime
        files = [f for f in files if Path(f).stat().st_mtime > known_at]
        for module, lines in seen["lines"].items():
            if not Path(module).exists() or Path(module).stat().st_mtime > known_at:  # its lines may have moved
                seen["lines"][module] = {"": sorted({test for tests in lines.values() for test in tests})}
    if files:
        seen = profiled(files, asked.jobs, seen)
        if asked.profile:
            write_profile(asked.profile, seen)
    print(f"{len(faults)} faults in {len({f.module for f, _ in faults})} modules; {len(seen['seconds'])} tests, "
          f"run once in {time.monotonic() - start:.0f} s", flush=True)  # fmt: skip
    for name in _LOADED:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    outcomes = tried(faults, seen, asked)
    report(outcomes)
    print(f"\n{(time.monotonic() - start) / 60:.1f} min")
    return 0


def test_files(wings: Iterable[str]) -> list[str]:
    """Return the files of tests under these paths."""
    places = map(Path, wings)
    return sorted({str(f) for place in places for f in (place.rglob("test_*.py") if place.is_dir() else [place])})


def write_profile(file: Path, seen: dict) -> None:
    """Keep what was seen, each test by its number: a line may be run by a thousand."""
    number: dict[str, int] = {}
    lines = {
        module: {line: [number.setdefault(test, len(number)) for test in tests] for line, tests in of.items()}
        for module, of in seen["lines"].items()
    }
    file.write_text(json.dumps({"seconds": seen["seconds"], "tests": list(number), "lines": lines}))


def read_profile(file: Path) -> dict:
    """Return what `write_profile` kept."""
    kept = json.loads(file.read_text())
    for of in kept["lines"].values():
        for line, numbers in of.items():
            of[line] = [kept["tests"][number] for number in numbers]
    return kept


def profiled(files: Sequence[str], jobs: int, seen: dict) -> dict:
    """Profile files of tests in processes of their own, as this one must never see geoqa; add that to what was seen."""
    program = "import json, sys; from bench import mutants; print(json.dumps(mutants.profile(sys.argv[1:])))"
    place = os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "tests")])}

    def run(part: Sequence[str]) -> dict:
        call = [sys.executable, "-c", program, *part]
        return json.loads(subprocess.run(call, stdout=subprocess.PIPE, text=True, env=place, check=True).stdout)

    def kept(test: str) -> bool:
        return test.split("::")[0] not in files

    whole: dict = {"seconds": {t: s for t, s in seen["seconds"].items() if kept(t)}, "lines": {}}
    with ThreadPoolExecutor(jobs) as pool:
        parts = [seen, *pool.map(run, filter(None, (files[k::jobs] for k in range(jobs))))]
    for part in parts:
        whole["seconds"] |= {} if part is seen else part["seconds"]
        for module, lines in part["lines"].items():
            into = whole["lines"].setdefault(module, {})
            for line, tests in lines.items():
                into.setdefault(line, []).extend(t for t in tests if part is not seen or kept(t))
    return whole


if __name__ == "__main__":
    raise SystemExit(main())
