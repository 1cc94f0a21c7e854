"""The contract of the frame that receiver logs give: epochs."""

from __future__ import annotations

from geoqa.core.contract import Column, Frame, float_column, int_column, text_column
from geoqa.core.job import SOLUTIONS

#: What makes a fix and a silence unless the recipe says otherwise, seconds: a fix that is away for so long is lost, it
#: must last so long without a break to be held, a longer silence is a gap, errors last so long at least.
LOST_S, HOLD_S, GAP_S, CORRELATION_S = 10.0, 5.0, 10.0, 115.0

EPOCHS = Frame(
    key=("epoch_id",),
    base=("epoch_id", "time_utc", "lon_deg", "lat_deg", "height_m", "solution", "source_file", "source_line"),
    columns={
        "epoch_id": int_column("running number in reading order", minimum=1),
        "point": text_column("name of the point it was measured at; null where the receiver moved"),
        "stop": int_column(
            "number of the stop in the logs, 0 where the receiver moved or halted on a drive", minimum=0
        ),
        "time_utc": Column("time", "when", nulls=False),
        "lon_deg": float_column("longitude; null where there is no position"),
        "lat_deg": float_column("latitude, likewise"),
        "height_m": float_column("height of the antenna above the job's height reference"),
        "altitude_m": float_column("altitude as the receiver states it, above the geoid it knows"),
        "separation_m": float_column("that geoid above the ellipsoid, as the receiver states it"),
        "solution": text_column("solution type", SOLUTIONS, nulls=False),
        "satellites": float_column("number of satellites used", minimum=0),
        "satellites_in_view": float_column("number of satellites in view", minimum=0),
        "hdop": float_column("horizontal dilution of precision", minimum=0),
        "pdop": float_column("position dilution of precision", minimum=0),
        "correction_age_s": float_column("age of the corrections", minimum=0),
        "sigma_e_m": float_column("stated standard deviation east", above=0),
        "sigma_n_m": float_column("stated standard deviation north", above=0),
        "sigma_u_m": float_column("stated standard deviation of the height", above=0),
        "cov_en_m2": float_column("covariance of east and north, from the ellipse's correlation"),
        "ellipse_major_m": float_column("semi-major axis of the stated error ellipse, one sigma", above=0),
        "ellipse_minor_m": float_column("its semi-minor axis", above=0),
        "ellipse_azimuth_deg": float_column("its azimuth, clockwise from true north"),
        "source_file": text_column("name of the log", nulls=False),
        "source_line": int_column("line of that log, from 1", minimum=1),
        "geometry": Column("geometry", "in the job's CRS"),
    },
)
