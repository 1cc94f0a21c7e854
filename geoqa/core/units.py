"""Units, and numbers as people read them: one way for each kind, on the terminal, on paper and on the map.

Factors come from the EPSG dataset through PROJ (`pyproj.database.get_units_map`), looked up when a
test compares them; they are exact by definition (international foot 0.3048 m; US survey foot
1200/3937 m, deprecated after 2022, 85 FR 62698) and are stated here so that reading needs no PROJ.

What the map writes itself stands once more in ``outputs/static/units.js``; both are held to
``tests/numbers.json``. Halves are rounded away from zero, as browsers do, and no zero has a sign.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from decimal import ROUND_HALF_UP, Decimal

from geoqa.core.arrays import Array, np, pa

METRES_PER: dict[str, float] = {"m": 1.0, "ft": 0.3048, "ftUS": 1200 / 3937, "mm": 0.001, "cm": 0.01, "km": 1000.0}

#: The international and the US survey foot.
FEET = ("ft", "ftUS")
#: Units a job may be reported in.
JOB_UNITS = ("m", "ft", "ftUS")
PRECISION_UNITS = ("m", "ft", "ftUS", "mm", "cm")
#: Units one column of a file may have for itself.
COLUMN_UNITS = (*PRECISION_UNITS, "km")
#: What stands for a number there is none of.
NONE = "–"


def spoken(unit: str) -> str:
    """Return the unit's name as people say it."""
    return {"m": "metres", "ft": "international feet", "ftUS": "US survey feet"}.get(unit, unit)


def number(value: float, decimals: int, sign: bool = False) -> str:
    """Return a number with fixed decimals, `sign` before one above zero too; a dash for none."""
    if value != value:
        return NONE
    rounded = Decimal(value).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)
    return f"{rounded if rounded else abs(rounded):{'+' if sign and rounded else ''}f}"


def rounded(values: Array, decimals: int) -> Array:
    """Return numbers rounded as `number` writes them, so that every file says the same; no zero has a sign.

    Parameters
    ----------
    values
        Any shape; not-a-number stays.
    """
    values = np.asarray(values, dtype=float)
    scale = 10.0**decimals
    near = np.round(values, decimals)
    # Beside the middle between two steps scaling may cross it; and in the middle numpy takes the even step.
    with np.errstate(invalid="ignore"):
        doubtful = np.abs(np.abs(values * scale) % 1 - 0.5) < 1e-3
    if doubtful.any():
        near[doubtful] = [float(number(value, decimals)) for value in values[doubtful].tolist()]
    return near + 0.0


def fixed(values: Array, decimals: int) -> pa.StringArray:
    """Return numbers as they are written with so many decimals, empty for not-a-number; shape (n,).

    Parameters
    ----------
    values
        As `rounded` leaves them, shape (n,).
    """
    from pyarrow import compute

    known = ~np.isnan(values)
    steps = np.rint(np.where(known, values, 0.0) * 10.0**decimals)
    if not (np.abs(steps) < 2.0**53).all():  # more than a double counts one by one
        return pa.array(np.where(known, np.char.mod(f"%.{decimals}f", values), ""), pa.string())
    whole, rest = np.divmod(np.abs(steps).astype(np.int64), 10**decimals)
    parts = [compute.if_else(pa.array(steps < 0), "-", ""), pa.array(whole).cast(pa.string())]
    if decimals:
        parts += [".", compute.utf8_lpad(pa.array(rest).cast(pa.string()), decimals, "0")]
    return compute.if_else(pa.array(known), compute.binary_join_element_wise(*parts, ""), "")


def plain(value: float, digits: int = 6) -> str:
    """Return a number with the digits it was stated with: 0.05, 20, 1.5."""
    return f"{value:.{digits}g}"


def counted(number: int, word: str) -> str:
    """Return a number with its noun: 1 point, 2 points."""
    return f"{number:,} {word}" + ("" if number == 1 else "s")


def listed(names: Iterable[object], most: int = 5) -> str:
    """Return the first names, and how many more there are."""
    shown = [str(name) for name in names]
    return ", ".join(shown[:most]) + (f" and {len(shown) - most} more" if len(shown) > most else "")


def expected(number: float) -> str:
    """Return an expected number of things, never none: 2.3, or fewer than 0.1."""
    if number < 0.05:
        return "fewer than 0.1"
    return f"{number:.1f}" if number < 9.95 else f"{number:,.0f}"


def times(factor: float) -> str:
    """Return how many times as large something is, to two digits; a dash for none."""
    return number(factor, 1 if factor < 9.95 else 0)


def percent(share: float) -> str:
    """Return a probability in percent, with the digits it was stated with."""
    return f"{plain(100 * share)} %"


def share(part: float) -> str:
    """Return a share that was counted in percent, to two digits; none and all are told as such, a dash for unknown."""
    return {0.0: "0 %", 1.0: "100 %"}.get(part) or probability(part)


def probability(chance: float) -> str:
    """Return a probability in percent, to two digits but no finer than 0.01 %; nothing is called certain."""
    if chance != chance:
        return NONE
    hundredths = math.floor(10_000 * chance + 0.5)
    if not 0 < hundredths < 10_000:
        return "over 99.99 %" if hundredths else "under 0.01 %"
    unit = 1 if hundredths < 100 or hundredths >= 9950 else 10 if hundredths < 995 else 100
    return f"{plain(math.floor(10_000 * chance / unit + 0.5) * unit / 100)} %"  # rounded once, not twice


def bounded(part: float, low: float, high: float) -> str:
    """Return a counted share with its bounds: 12 % (5 to 21)."""
    ends = (share(end).removesuffix(" %") for end in (low, high))
    return share(part) + ("" if low != low else f" ({' to '.join(ends)})")


def part(count: int, whole: int) -> str:
    """Return how many of how many, and their share: 3 of 28 (11 %); a dash where there is none to count."""
    return f"{count:,} of {whole:,} ({share(count / whole)})" if whole else NONE


def p_figure(p: float) -> str:
    """Return a probability by chance, as it stands below the heading p: 0.034, or < 0.001."""
    if p != p:
        return "unknown"
    return "< 0.001" if p < 0.001 else "> 0.99" if p > 0.99 else plain(p, 2)


def p_value(p: float) -> str:
    """Return a probability by chance, as it stands behind a comparison: p = 0.034, or p < 0.001."""
    figure = p_figure(p)
    return f"p {'' if figure[0] in '<>u' else '= '}{figure}"


def by_chance(p: float) -> str:
    """Return how probable something is by chance, small ones counted: 2.3 %, or 3 in 100,000."""
    most = 0.005
    if not p < most:
        return f"the probability of this by chance is {probability(p)}"
    per = 10 ** min(max(3, math.ceil(-math.log10(max(p, 1e-9)))), 7)
    count = math.floor(p * per + 0.5)
    told = f"{count} in {per:,}" if count else f"under 1 in {per:,}"
    return f"the probability of this by chance is {told}"


def round_below(most: float) -> float:
    """Return the largest of 1, 2 or 5 times a power of ten that is not above `most`: the length of a scale bar."""
    power = 10.0 ** math.floor(math.log10(most))
    return max(step * power for step in (1, 2, 5) if step * power <= most)


def decimals(unit: str) -> int:
    """Return the decimals that show a length in `unit` to the millimetre or better."""
    return 2 if unit in ("mm", "cm") else 3


def stated(metres: float, unit: str) -> str:
    """Return a length that a recipe states, in `unit`, with the digits it was stated with."""
    return f"{plain(metres / METRES_PER[unit], 3)} {unit}"


def bare(metres: float, unit: str) -> str:
    """Return a length in `unit`, to the millimetre or better, whose unit stands elsewhere; a dash for none."""
    return number(metres / METRES_PER[unit], decimals(unit))


def length(metres: float, unit: str) -> str:
    """Return a length in `unit`, to the millimetre or better, with the unit behind it; a dash for none."""
    return NONE if metres != metres else f"{bare(metres, unit)} {unit}"


def signed(metres: float, unit: str) -> str:
    """Return a difference in `unit` with its sign, whose unit stands elsewhere; a dash for none."""
    return number(metres / METRES_PER[unit], decimals(unit), sign=True)


def small_unit(unit: str) -> str:
    """Return the unit that spreads and precisions are told in: millimetres in a job in metres."""
    return "mm" if unit == "m" else unit


def small_bare(metres: float, unit: str) -> str:
    """Return a spread or a precision in `small_unit`, which stands elsewhere; a dash for none."""
    if unit != "m":
        return bare(metres, unit)
    return number(1000 * metres, 0 if abs(metres) >= 0.00995 else 1).removesuffix(".0")


def small(metres: float, unit: str) -> str:
    """Return a spread or a precision of a job in `unit`: 8.5 mm, 16 mm, 0.052 ft; a dash for none."""
    return NONE if metres != metres else f"{small_bare(metres, unit)} {small_unit(unit)}"


def walked(metres: float, unit: str) -> str:
    """Return a length on foot for a job in `unit`: whole metres, kilometres from two on, or whole feet."""
    if unit == "m":
        return f"{metres / 1000:.1f} km" if metres >= 2000 else f"{metres:.0f} m"
    return f"{metres / METRES_PER[unit]:,.0f} ft"


def duration(seconds: float) -> str:
    """Return seconds in words, two units at most: 8 s, 3 min 10 s, 1 h 5 min, 2 d 3 h; a dash for none."""
    if seconds != seconds:
        return NONE
    whole = math.floor(seconds + 0.5)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return _two(whole, 60, "min", "s")
    minutes = math.floor(whole / 60 + 0.5)
    if minutes < 48 * 60:
        return _two(minutes, 60, "h", "min")
    return _two(math.floor(minutes / 60 + 0.5), 24, "d", "h")


def _two(count: int, per: int, large: str, little: str) -> str:
    whole, rest = divmod(count, per)
    return f"{whole} {large} {rest} {little}" if rest else f"{whole} {large}"
