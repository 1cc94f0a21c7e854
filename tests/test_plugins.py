"""Steps found by name: built-in and third-party through one door, broken ones left out, no name taken over."""

import subprocess
import sys

import pytest

from geoqa import plugins
from geoqa.core.errors import PluginError, RecipeError
from geoqa.core.steps import Analysis, MapLayer, Plot, Reader, Writer

GOOD = '''
from dataclasses import dataclass
from geoqa.core.steps import Analysis, Result, param

@dataclass(frozen=True, kw_only=True)
class Moss(Analysis):
    """Say which side the moss grows on."""

    name = "moss"
    needs = ("occupations",)
    gives = ("mosses",)
    depth_m: float = param(0.01, unit="m", above=0, help="Depth of the moss")

    def run(self, frames, job):
        return Result({})
'''


@pytest.fixture
def install(tmp_path, monkeypatch):
    """Return a function that installs a distribution with entry points, for the real machinery to find."""

    def add(distribution, points, **modules):
        folder = tmp_path / distribution
        info = folder / f"{distribution.replace('-', '_')}-1.4.dist-info"
        info.mkdir(parents=True)
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {distribution}\nVersion: 1.4\n")
        text = "".join(
            f"[{group}]\n" + "".join(f"{name} = {target}\n" for name, target in named.items())
            for group, named in points.items()
        )
        (info / "entry_points.txt").write_text(text)
        for name, source in modules.items():
            (folder / f"{name}.py").write_text(source)
            monkeypatch.delitem(sys.modules, name, raising=False)
        monkeypatch.syspath_prepend(str(folder))
        return plugins.catalogue()

    yield add
    for name in [n for n in sys.modules if n.startswith("thirdparty_")]:
        del sys.modules[name]


def refusal(found, name="moss", group="geoqa.analysis"):
    """Return why a step is refused once it is loaded; every other step must still load."""
    loaded = found.load_all(group)
    assert name not in loaded
    assert len(loaded) == len(found.entries[group]) - 1
    return found.refused[name]


def test_geoqas_own_steps_use_the_same_door():
    found = plugins.catalogue()
    assert found.refused == {}
    for group, base in plugins.GROUPS.items():
        classes = found.load_all(group)
        assert classes, group
        for name, cls in classes.items():
            assert issubclass(cls, base)
            assert cls.name == name
            assert found.entries[group][name].distribution == plugins.OWN
    assert found.refused == {}
    assert found.third_party() == []


def test_every_step_class_of_geoqa_is_installed():
    installed = {cls for group in plugins.GROUPS for cls in plugins.catalogue().load_all(group).values()}

    def below(cls):
        return {cls}.union(*(below(sub) for sub in cls.__subclasses__()))

    written = {
        c
        for base in (Analysis, Reader, MapLayer, Plot, Writer)
        for c in below(base) - {base}
        if c.__module__.startswith("geoqa.")
    }
    assert written == installed


def test_a_third_party_step_is_found_loaded_and_recorded(install):
    found = install("moss-survey", {"geoqa.analysis": {"moss": "thirdparty_moss:Moss"}}, thirdparty_moss=GOOD)
    cls = found.find("moss").load()
    assert cls.name == "moss"
    assert plugins.configure(cls, {"moss": {"depth_m": 0.02}}).depth_m == 0.02
    assert found.third_party() == [
        {"step": "moss", "group": "geoqa.analysis", "distribution": "moss-survey", "version": "1.4"}
    ]
    assert "moss" in found.names("geoqa.analysis")
    assert found.refused == {}


def test_nothing_is_imported_before_it_is_asked_for(install):
    found = install(
        "moss-survey",
        {"geoqa.analysis": {"moss": "thirdparty_moss:Moss"}},
        thirdparty_moss="raise SystemError('imported')",
    )
    assert "moss" in found.names("geoqa.analysis")
    assert "thirdparty_moss" not in sys.modules


def test_the_catalogue_imports_no_step_and_nothing_heavy():
    code = (
        "import sys; from geoqa import plugins; plugins.catalogue(); "
        "print([m for m in sys.modules if m.startswith(('geoqa.analysis', 'geoqa.readers', 'geoqa.outputs', 'numpy'))])"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("source", "reason"),
    [
        ("import no_such_module", "did not load: ModuleNotFoundError"),
        ("1 / 0", "did not load: ZeroDivisionError"),
        ("def (", "did not load: SyntaxError"),
        ("raise SystemExit('no licence')", "did not load: SystemExit: no licence"),
        ("Mosses = 1", "did not load: AttributeError"),
        ("Moss = 3", "was refused: it is not a Analysis"),
        ("class Moss: name = 'moss'", "was refused: it is not a Analysis"),
        ("from geoqa.core.steps import Reader as Moss", "was refused: it is not a Analysis"),
        (GOOD.replace('"""Say which side the moss grows on."""', ""), "it has no docstring"),
        (GOOD.replace('name = "moss"', 'name = "lichen"'), "it calls itself 'lichen'"),
        (GOOD.replace("needs =", "api = 99\n    needs ="), "it was written for step API 99, this is 1"),
        (GOOD.replace("def run", "def walk"), "it lacks run"),
        (
            GOOD.replace("@dataclass(frozen=True, kw_only=True)\n", ""),
            "put @dataclass(frozen=True, kw_only=True) on it",
        ),
    ],
)
def test_a_broken_step_is_named_with_its_reason_and_left_out(install, source, reason):
    found = install("moss-survey", {"geoqa.analysis": {"moss": "thirdparty_moss:Moss"}}, thirdparty_moss=source)
    text = refusal(found)
    assert reason in text
    assert "moss-survey" in text
    assert found.third_party() == []
    with pytest.raises(PluginError, match=r"'moss' \(geoqa.analysis, from moss-survey\)"):
        found.find("moss").load()


def test_all_reasons_against_a_step_are_told_at_once(install):
    source = GOOD.replace('"""Say which side the moss grows on."""', "").replace(
        'name = "moss"', 'name = "x"\n    api = 7'
    )
    found = install("moss-survey", {"geoqa.analysis": {"moss": "thirdparty_moss:Moss"}}, thirdparty_moss=source)
    text = refusal(found)
    assert "step API 7" in text
    assert "calls itself 'x'" in text
    assert "no docstring" in text


@pytest.mark.parametrize("group", list(plugins.GROUPS))
def test_no_other_distribution_may_take_a_built_in_name(install, group):
    # Whatever group it asks for, and although its name sorts before geoqa's own.
    source = GOOD.replace('"moss"', '"closures"')
    found = install("aaa-survey", {group: {"closures": "thirdparty_moss:Moss"}}, thirdparty_moss=source)
    own = found.find("closures")
    assert own.distribution == plugins.OWN
    assert own.load().__module__ == "geoqa.analysis.closures.closures"
    assert list(found.refused) == ["aaa-survey:closures"]
    assert "'closures' already belongs to geoqa-survey" in found.refused["aaa-survey:closures"]
    assert "thirdparty_moss" not in sys.modules


def test_of_two_third_parties_the_second_is_refused(install):
    points = {"geoqa.analysis": {"moss": "thirdparty_moss:Moss"}}
    install("moss-b", points, thirdparty_moss=GOOD)
    found = install("moss-a", points, thirdparty_moss=GOOD)
    assert found.find("moss").distribution == "moss-a"
    assert "already belongs to moss-a" in found.refused["moss-b:moss"]


def test_one_name_for_two_steps_of_one_distribution_is_refused(install):
    points = {"geoqa.analysis": {"moss": "thirdparty_moss:Moss"}, "geoqa.layers": {"moss": "thirdparty_moss:MossLayer"}}
    found = install("moss-survey", points, thirdparty_moss=GOOD)
    assert "moss-survey:moss" in found.refused


def test_a_name_nobody_has_lists_those_there_are():
    with pytest.raises(PluginError, match=r"No step is called 'closure'. Installed: .*closures"):
        plugins.catalogue().find("closure")
    with pytest.raises(PluginError) as caught:
        plugins.catalogue().find("closures", "geoqa.readers")
    assert "delimited" in str(caught.value)
    assert "calibration" not in str(caught.value)


def test_wrong_parameters_of_a_step_are_told_with_their_place():
    cls = plugins.catalogue().find("visits").load()
    with pytest.raises(RecipeError) as caught:
        plugins.configure(cls, {"visits": {"separation_h_min": -1, "separation": 20}}, "site.toml")
    told = str(caught.value)
    assert "site.toml: [step.visits] separation_h_min: -1 is not a number in min" in told
    assert "site.toml: [step.visits] separation: is not a key here" in told
    assert plugins.configure(cls, {}).separation_h_min == 20.0
