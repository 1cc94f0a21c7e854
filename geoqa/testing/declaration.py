"""Whether a step is declared completely."""

from __future__ import annotations

import inspect

from geoqa import plugins
from geoqa.core.errors import Fault, ParameterError, StepError
from geoqa.core.steps import Analysis, MapLayer, Plot, Reader, Step, Writer


def declared(step: Step | type[Step]) -> Step:
    """Return the step as an object, or raise StepError with every fault of its declaration."""
    cls = step if inspect.isclass(step) else type(step)
    name = getattr(cls, "name", None)
    shown = f"the step {name!r}" if isinstance(name, str) else cls.__name__
    base = next((kind for kind in (Reader, Analysis, MapLayer, Plot, Writer) if issubclass(cls, kind)), None)
    if base is None:
        raise StepError(f"{shown} is none: a step is a Reader, an Analysis, a MapLayer, a Plot or a Writer.")
    problems = plugins.problems_of(cls, base, name if isinstance(name, str) else "its entry point")
    faults = [Fault("declaration", f"{problem}.") for problem in problems]
    if not faults:
        faults += _address_faults(cls, base) + _parameter_faults(cls)
    if not faults and inspect.isclass(step):
        try:
            step = step()
        except (ParameterError, TypeError) as error:
            faults = [Fault("parameters", f"their defaults cannot be used ({error}).", "Give check_step an object.")]
    if faults:
        raise StepError.from_faults(f"{shown} is not declared completely:", faults)
    return step  # type: ignore[return-value]


def _address_faults(cls: type[Step], base: type[Step]) -> list[Fault]:
    faults = []
    for attribute in ("needs", "gives", "uses"):
        value = getattr(cls, attribute)
        if not isinstance(value, tuple) or not all(isinstance(item, str) and item.strip(".") for item in value):
            faults.append(
                Fault(attribute, f"is {value!r}.", 'It is a tuple of addresses: ("closures", "points.risk").')
            )
    if base is Analysis and not cls.gives:
        faults.append(Fault("gives", "is empty: nothing would ever run this step.", "Name the frame or the column."))
    if base in (MapLayer, Plot) and not cls.needs:
        faults.append(Fault("needs", "is empty: it would be shown no frame.", "Name the frames it draws."))
    return faults


def _parameter_faults(cls: type[Step]) -> list[Fault]:
    faults = []
    for parameter in cls.parameters():
        where = f"parameter {parameter.name}"
        if not parameter.help.strip():
            faults.append(Fault(where, "has no help.", 'Add help="one sentence".'))
        if {int, float} & set(parameter.types) and not parameter.unit.strip():
            faults.append(Fault(where, "is a number without a unit.", 'Add unit="m", or unit="1" for a pure number.'))
        unit = parameter.unit.replace("/", "_per_")
        if unit.isalpha() and not parameter.name.endswith(f"_{unit}"):
            faults.append(
                Fault(where, f"is in {unit}, which its name does not say.", f"Call it {parameter.name}_{unit}.")
            )
    return faults
