"""The error tree: who inherits from whom, exit codes, and messages that list every fault."""

import inspect

import pytest

from geoqa.core import errors

TREE = {
    # name: (parent, exit code), as DESIGN section 8 (exit codes) and the module's own drawing say.
    "GeoqaError": (Exception, 70),
    "CallError": (errors.GeoqaError, 2),
    "ParameterError": (errors.CallError, 2),
    "RecipeError": (errors.GeoqaError, 2),
    "InputError": (errors.GeoqaError, 2),
    "OutputError": (errors.GeoqaError, 2),
    "PluginError": (errors.GeoqaError, 2),
    "StepError": (errors.GeoqaError, 70),
    "SchemaError": (errors.StepError, 70),
    "GeodesyError": (errors.GeoqaError, 3),
}


def every_error():
    return {n: c for n, c in vars(errors).items() if inspect.isclass(c) and issubclass(c, Exception)}


def test_the_tree_is_the_one_drawn():
    assert set(every_error()) == set(TREE)
    drawn = dict(
        line.split()[:2] for line in errors.__doc__.splitlines() if line.split()[1:2] and line.split()[1].isdigit()
    )
    assert {name: int(code) for name, code in drawn.items()} == {name: code for name, (_, code) in TREE.items()}


@pytest.mark.parametrize("name", TREE)
def test_parents_and_exit_codes(name):
    parent, code = TREE[name]
    error = getattr(errors, name)
    assert error.__bases__[0] is parent
    assert error.exit_code == code
    assert error.__doc__


@pytest.mark.parametrize("name", TREE)
def test_every_kind_lists_its_faults_and_keeps_its_class(name):
    error = getattr(errors, name)
    faults = [errors.Fault("site.toml: [tolerance]", "must be stated.", "Add it."), errors.Fault("line 3", "is torn.")]
    made = error.from_faults("Two things are wrong:", faults)
    assert type(made) is error
    assert (
        str(made) == "Two things are wrong:\n  - site.toml: [tolerance]: must be stated. Add it.\n  - line 3: is torn."
    )
    assert made.faults == tuple(faults)


def test_an_error_without_faults_has_none():
    assert errors.InputError("no").faults == ()


def test_standard_kinds_are_kept_for_people_who_catch_them():
    assert issubclass(errors.CallError, ValueError)
    assert issubclass(errors.OutputError, OSError)
    assert issubclass(errors.PluginError, LookupError)
