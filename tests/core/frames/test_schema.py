"""The column contracts: each breach is named, and all of them at once."""

import numpy as np
import pandas as pd
import pytest

from geoqa.core.errors import SchemaError, StepError
from geoqa.core.frames import contract, schema


def closures(**changed):
    """Return two closures with the columns a closures frame must have, some changed or left out (None)."""
    columns = {
        "pair_id": [1, 2], "point": ["A", "B"], "occupation_a": [1, 3], "occupation_b": [2, 4], "de_m": [0.003, -0.004],
        "dn_m": [0.004, 0.003], "horizontal_m": [0.005, 0.005],
        "independence_h": pd.Categorical(["separated", "copied"]),
    } | changed  # fmt: skip
    return pd.DataFrame({name: values for name, values in columns.items() if values is not None})


def breach(frame, name="closures", **more):
    with pytest.raises(SchemaError) as caught:
        schema.check(name, frame, **more)
    return str(caught.value)


def test_a_sound_frame_passes():
    schema.check("closures", closures())


@pytest.mark.parametrize(
    ("changed", "fault"),
    [
        ({"de_m": None}, "closures.de_m: is missing."),
        ({"de_m": ["0.003", "0.004"]}, "closures.de_m: holds"),
        ({"de_m": [0.003, np.nan]}, "closures.de_m: 1 values are missing"),
        ({"de_m": [0.003, np.inf]}, "closures.de_m: 1 values are infinite."),
        ({"horizontal_m": [0.005, -0.005]}, "closures.horizontal_m: 1 values are below 0."),
        ({"tolerance_h_m": [0.05, 0.0]}, "closures.tolerance_h_m: 1 values are not above 0."),
        ({"occupation_a": [0, 3]}, "closures.occupation_a: 1 values are below 1."),
        ({"occupation_a": [1.0, 3.0]}, "closures.occupation_a: holds float64, it must hold int"),
        ({"new_fix": [0, 1]}, "closures.new_fix: holds int64, it must hold bool"),
        (
            {"independence_h": ["separated", "alike"]},
            "closures.independence_h: holds ['alike'], it must hold one of copied",
        ),
        ({"status": ["confirmed", None]}, "closures.status: 1 values are missing"),
        ({"point": [1, 2]}, "closures.point: holds int64, it must hold text"),
        ({"point": pd.Categorical([1, 2])}, "closures.point: holds category, it must hold text"),
        ({"pair_id": [1, 1]}, "closures.pair_id: 1 rows repeat a key."),
        ({"geometry": [1, 2]}, "closures.geometry: holds int64, it must hold geometry"),
    ],
)
def test_each_breach_is_named_with_its_column(changed, fault):
    assert fault in breach(closures(**changed))


def test_times_must_carry_their_zone():
    plain = pd.DataFrame({"start_utc": pd.to_datetime(["2026-02-02"])})
    assert "occupations.start_utc: holds datetime64" in breach(plain, "occupations", columns=["start_utc"])
    schema.check("occupations", plain.assign(start_utc=pd.to_datetime(["2026-02-02"], utc=True)), columns=["start_utc"])


def test_all_breaches_are_told_at_once_with_the_step_that_made_them():
    text = breach(closures(de_m=None, horizontal_m=[-1.0, 1.0], pair_id=[2, 2]), by="pairing")
    assert text.startswith("the frame 'closures' made by 'pairing' breaks its contract:")
    assert text.count("\n  - ") == 3


def test_faults_can_be_read_by_a_program():
    with pytest.raises(SchemaError) as caught:
        schema.check("closures", closures(de_m=None, dn_m=None))
    assert [fault.where for fault in caught.value.faults] == ["closures.de_m", "closures.dn_m"]
    assert isinstance(caught.value, StepError)


def test_a_column_that_stands_twice_is_named():
    frame = pd.concat([closures(), closures()[["de_m"]]], axis=1)
    assert "closures.de_m: stands twice." in breach(frame)


def test_numbers_may_be_null_where_the_contract_says_so():
    schema.check("closures", closures(du_m=[np.nan, 0.01], gap_s=[np.nan, np.nan], canopy=pd.Categorical([None, None])))


def test_whole_numbers_serve_where_any_number_is_asked_for():
    schema.check("closures", closures(de_m=[0, 1]))


def test_columns_beside_the_contract_travel_along():
    schema.check("closures", closures(comment=["left", "right"]))


def test_a_frame_of_a_third_party_is_checked_for_names_alone():
    schema.check("gossip", pd.DataFrame({"who": [1, None]}))
    assert "gossip.what: is missing." in breach(pd.DataFrame({"who": [1]}), "gossip", columns=["what"])


def test_keyed_columns_are_checked_alone():
    keyed = pd.DataFrame({"pair_id": [1, 2], "status": ["confirmed", "splendid"], "t_h": [0.1, 0.2]})
    assert "splendid" in breach(keyed, columns=["pair_id", "status"])
    schema.check("closures", keyed, columns=["pair_id", "t_h"])


def test_the_fixed_words_are_those_of_the_design():
    # DESIGN sections 2 and 3: fixed.
    assert contract.STATUSES == ("confirmed", "strained", "loose", "conflict", "unproven")
    assert contract.SEVERITY == ("conflict", "loose", "unproven", "strained", "confirmed")
    assert schema.GRADES == ("copied", "same-fix", "fresh-fix", "separated", "staggered")


# DESIGN section 5: fixed column names.
FIXED = {
    "occupations": "occupation_id point visit start_utc end_utc duration_s epochs effective_epochs easting_m "
    "northing_m height_m sigma_e_m sigma_n_m sigma_u_m cov_en_m2 cov_eu_m2 cov_nu_m2 solution method origin role "
    "initialization base base_distance_m operator antenna_height_m satellites pdop correction_age_s "
    "canopy source_file source_line geometry",
    "closures": "pair_id point occupation_a occupation_b gap_s new_fix new_base new_antenna_height new_operator "
    "sky_repeats independence_h independence_v de_m dn_m du_m horizontal_m azimuth_deg tolerance_h_m "
    "tolerance_v_m t_h p_h t_v p_v status_h status_v status canopy geometry",
    "points": "point role occupations visits set_aside easting_m northing_m height_m var_e_m2 var_n_m2 var_u_m2 "
    "cov_en_m2 cov_eu_m2 cov_nu_m2 semi_major_m semi_minor_m azimuth_deg radius95_m up95_m confidence "
    "worst_horizontal_m worst_vertical_m status_h status_v status risk deliver deliver_reason untested "
    "canopy zone reason geometry",
    "classes": "canopy pairs repeatability_h_m repeatability_h_m_low repeatability_h_m_high repeatability_v_m "
    "repeatability_v_m_low repeatability_v_m_high precision_ratio_h precision_ratio_h_low "
    "precision_ratio_h_high precision_ratio_v precision_ratio_v_low precision_ratio_v_high tail_rate "
    "tail_rate_low tail_rate_high",
    "set_aside": "source_file source_line reason row",
    "ellipses": "subject id point semi_major_m semi_minor_m azimuth_deg confidence geometry",
}


def test_no_fixed_column_is_missing():
    faults = []
    for name, fixed in FIXED.items():
        frame = schema.FRAMES[name]
        faults += [f"{name}.{column} is missing" for column in set(fixed.split()) - set(frame.columns)]
        faults += [f"{name}: key, base, columns"] * (not set(frame.key) <= set(frame.base) <= set(frame.columns))
    assert faults == []


def test_every_column_says_what_it_holds():
    kinds = ("text", "float", "int", "bool", "time", "geometry")
    every = {f"{name}.{c}": rule for name, frame in schema.FRAMES.items() for c, rule in frame.columns.items()}
    assert [name for name, rule in every.items() if not rule.about.strip() or rule.kind not in kinds] == []
