"""From frames to judged frames: one room a topic; what is smaller than a room stands here as a module.

Comes in: `occupations` and the job. Goes out: every frame of a review. Steps here: canopy-context, canopy-costs,
occupation-places, closure-lines, point-places, ellipses, name-checks, changes, reviewer-decisions. A module with a
leading underscore is a kernel of its room and is imported by no other room.

Canopy reaches the calibration because `readers/canopy.py` completes `occupations.canopy` before any step runs; the
crew's own words are kept in `canopy_label`.
"""
