"""What geoqa offers: names, their documentation, and units in the names of numbers."""

import inspect
import subprocess
import sys
import typing

import pytest

import geoqa
from geoqa import plugins
from geoqa.core import experience, job, recipe, steps
from geoqa.core.frames import schema
from geoqa.core.frames.contract import STATUSES
from geoqa.core.params import Declared

CATALOGUE = plugins.catalogue()
OWN_STEPS = [
    entry.load()
    for group in CATALOGUE.entries.values()
    for entry in group.values()
    if entry.distribution == plugins.OWN
]
TABLES = [job.Site, job.InputFormat, job.Match, job.Base, job.Role, recipe.Tolerance, recipe.Requirement]
#: Endings that say the unit of a number.
UNITS = ("_m", "_m2", "_deg", "_s", "_min", "_h", "_ppm")


def test_the_names_offered_are_sorted_and_each_once():
    assert geoqa.__all__ == sorted(set(geoqa.__all__))


def test_the_names_offered_are_those_that_can_be_imported():
    for name in geoqa.__all__:
        assert getattr(geoqa, name) is not None
    space = {}
    exec("from geoqa import *", space)
    assert set(geoqa.__all__) == {name for name in space if not name.startswith("__")}
    declared = {name for names in geoqa._HOME.values() for name in names}
    assert declared == set(geoqa.__all__)


def test_type_checkers_see_the_same_names():
    source = inspect.getsource(geoqa)
    block = source.split("if TYPE_CHECKING:")[1].split("\n\n")[0]
    seen = {
        name.strip()
        for line in block.splitlines()
        if " import " in line
        for name in line.split(" import ")[1].split(",")
    }
    assert seen == set(geoqa.__all__)


def test_another_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'Summary'"):
        _ = geoqa.Summary


def test_the_front_door_is_not_hidden_by_a_module_of_its_name():
    import geoqa.reviews

    assert callable(geoqa.review)
    assert geoqa.review is geoqa.reviews.review.review


def test_importing_geoqa_imports_nothing_heavy():
    code = "import geoqa, geoqa.cli, sys; print(sorted({'pandas','geopandas','folium','numpy'} & set(sys.modules)))"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "[]"


def public_members(cls):
    for name, member in vars(cls).items():
        if not name.startswith("_") and (inspect.isfunction(member) or isinstance(member, (property, classmethod))):
            yield name, member


def test_every_public_name_is_documented():
    bare = []
    for name in geoqa.__all__:
        thing = getattr(geoqa, name)
        # An inherited docstring of a class does not count.
        if not (vars(thing).get("__doc__") if inspect.isclass(thing) else inspect.getdoc(thing)):
            bare.append(name)
        if inspect.isclass(thing):
            bare += [f"{name}.{member}" for member, value in public_members(thing) if not inspect.getdoc(value)]
    assert bare == []


def test_every_step_and_parameter_is_documented():
    faults = []
    for step in OWN_STEPS:
        faults += [f"{step.name} says too little of itself"] * (len(step.__doc__.strip()) <= 20)
        faults += [f"{step.name} is not in small letters"] * (step.name != step.name.lower())
        faults += [f"{step.name} gives what it needs"] * (not set(step.gives).isdisjoint(step.needs))
        faults += [f"{step.name}.{one.name} has no help" for one in step.parameters() if not one.help.strip()]
    assert faults == []


def numbers(declared: type[Declared]):
    for parameter in declared.parameters():
        if {float, int} & set(parameter.types) and bool not in parameter.types:
            yield parameter


def misnamed(parameter) -> bool:
    if float not in parameter.types or parameter.unit == "1":
        return parameter.unit != "1"
    return not (parameter.unit and parameter.name.endswith(f"_{parameter.unit.replace('/', '_')}"))


def test_every_number_declared_ends_in_its_unit_or_is_pure():
    every = [(declared, parameter) for declared in (*OWN_STEPS, *TABLES) for parameter in numbers(declared)]
    assert len(every) > 50
    assert [f"{declared.title()} {one.name}: {one.unit!r}" for declared, one in every if misnamed(one)] == []


#: Columns of the schema that are pure numbers: counts, ratios, probabilities, test statistics.
PURE = {
    "epochs": {"satellites", "satellites_in_view", "hdop", "pdop"},
    "occupations": {
        "epochs", "stems", "effective_epochs", "satellites", "pdop", "freedom_h", "freedom_v", "wrong_rate",
        "wrong_worth",
    },
    "closures": {"t_h", "p_h", "t_v", "p_v"},
    "points": {
        "confidence", "excess", "risk", "wrong_h", "wrong_v", "within_h", "within_v",
        "degrees_of_freedom_h", "degrees_of_freedom_v", "power_h", "power_v", "cover_fraction", "sky_view",
    },
    "canopy": {"cover_fraction", "sky_view"},
    "canopy_checks": {"cover_fraction"},
    "canopy_costs": {
        "from_value", "to_value", "ratio_h_p",
        *(
            f"{name}{end}"
            for name in ("ratio_h", "beyond", "late", "tail_rate", *(f"share_{status}" for status in STATUSES))
            for end in ("", "_low", "_high")
        ),
    },
    "canopy_curves": {"x", "share", "low", "high"},
    "canopy_tests": {"statistic", "p", "p_adjusted"},
    "control_checks": {f"{name}_{axis}" for name in ("score", "conforms", "p") for axis in "hv"},
    "check_log": {"p_h", "p_v"},
    "gross_scales": {"share"},
    "shifts": {"p"},
    "calibration_by_procedure": {
        f"{name}{end}"
        for name in ("precision_ratio_h", "precision_ratio_v", "tail_rate")
        for end in ("", "_low", "_high")
    },
    "detection": {f"power_{name}_{axis}" for name in ("tolerance", "test") for axis in "hv"},
    "ellipses": {"confidence"},
    "wait_tests": {"chi_square", "p", "p_adjusted"},
    "durations": {"effective_epochs"},
    "revisits": {"chance", "chance_low", "chance_high"},
    "zones": {"share", "share_low", "share_high", "share_site", "bias_p", "p", "canopy_share", "canopy_p"},
    "classes": {
        *(f"share_{status}" for status in STATUSES), "wrong_fix_rate_without",
        *(f"precision_ratio_{axis}{end}" for axis in "hv" for end in ("", "_low", "_high")),
        *(f"{name}{end}" for name in ("tail_rate", "wrong_fix_rate") for end in ("", "_low", "_high")),
        "degrees_of_freedom_h", "degrees_of_freedom_v", "used_ratio_h", "used_ratio_v", "core_shape",
        "used_wrong_fix_rate", "wrong_fix_worth",
    },
    "checks": {"value", "sigma", "from_height", "to_height", "scale", "wrong"},
    "weighed_checks": {"log_factor"},
    "plan": {"minutes", *(f"{name}{end}" for name in ("risk", "needs_more") for end in ("", "_low", "_high"))},
    "repeats": {"repeat", "repeat_prior", "came", "could"},
    "plumb": {"p"},
    "taught": set(experience.SUMS),
    "experience": set(experience.SUMS),
}  # fmt: skip


def test_every_float_column_ends_in_its_unit_or_is_pure():
    faults = [f"{frame} is no frame" for frame in PURE.keys() - schema.FRAMES.keys()]
    for frame, contract in schema.FRAMES.items():
        floats = {name for name, column in contract.columns.items() if column.kind == "float"}
        # The first calibration has some of the columns of the one that everything rests on.
        pure = PURE["classes"] & floats if frame == "first_classes" else PURE.get(frame, set())
        faults += [f"{frame}.{name} is no number" for name in pure - floats]
        for name in floats - pure:
            plain = name.removesuffix("_low").removesuffix("_high")
            # A trailing _h or _v is an axis, never an hour, in the frames.
            if plain.endswith("_h") or not plain.endswith(UNITS):
                faults.append(f"{frame}.{name} ends in no unit")
    assert faults == []


def test_every_kind_of_step_is_a_step():
    for base in (steps.Reader, steps.Analysis, steps.MapLayer, steps.Plot, steps.Writer):
        assert issubclass(base, steps.Step)
    assert {typing.cast(type, group) for group in plugins.GROUPS.values()} == {
        steps.Reader,
        steps.Analysis,
        steps.MapLayer,
        steps.Plot,
        steps.Writer,
    }
