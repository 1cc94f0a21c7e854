"""Where each test goes: the room of what it tests."""
TO = {
    "tests/core/frames": ["core/test_schema", "core/test_worst"],
    "tests/core/statistics": [
        "core/test_averages", "core/test_covariance", "core/test_effective", "core/test_groups", "core/test_survival",
        "analysis/test_contrasts", "analysis/test_discrepancies", "analysis/test_exceedance", "analysis/test_hot_spots",
        "analysis/test_logistic", "analysis/test_neighbours",
    ],
    "tests/core/site": [
        "core/test_assembly", "core/test_decisions", "core/test_formulas", "core/test_labels", "core/test_matching", "core/test_meaning",
    ],
    "tests/readers/text": [
        "readers/test_angles", "readers/test_grids", "readers/test_numbers", "readers/test_patterns", "readers/test_textfile",
        "readers/test_times", "readers/test_where",
    ],
    "tests/readers/recipe": [
        "readers/test_canopy_tables", "readers/test_column_tables", "readers/test_control_tables", "readers/test_matchrules",
        "readers/test_recipe",
    ],
    "tests/readers/tables": [
        "readers/test_fixed", "readers/test_guessing_more", "readers/test_headings", "readers/test_moments",
        "readers/test_placing", "readers/test_table", "readers/test_advice",
    ],
    "tests/readers/nmea": [
        "readers/test_halts", "readers/test_log_stops", "readers/test_nmea_epochs", "readers/test_nmea_framing",
    ],
    "tests/analysis/closures": ["analysis/test_closure_tests", "analysis/test_copied"],
    "tests/analysis/precision": [
        "analysis/test_calibration", "analysis/test_class_table", "analysis/test_pooling", "analysis/test_repeatability", "analysis/test_taking_part",
    ],
    "tests/analysis/points": [
        "analysis/test_combination", "analysis/test_delivery", "analysis/test_repeats", "analysis/test_reliability", "analysis/test_gathered", "analysis/test_hypotheses",
        "analysis/test_point_status", "analysis/test_posterior", "analysis/test_uncertainty",
    ],
    "tests/analysis/control": ["analysis/test_check_log", "analysis/test_control", "analysis/test_references"],
    "tests/analysis/standards": [
        "analysis/test_accuracy_statements", "analysis/test_common_practice", "analysis/test_field_test",
        "analysis/test_line_precision", "analysis/test_real_time_classes", "analysis/test_statements_step",
    ],
    "tests/analysis/shifts": [
        "analysis/test_at_control", "analysis/test_file_mixups", "analysis/test_misfiled", "analysis/test_poles",
        "analysis/test_setup_shape", "analysis/test_shifts",
    ],
    "tests/analysis/zones": ["analysis/test_directions", "analysis/test_zone_outlines", "analysis/test_zones"],
    "tests/analysis/observing_time": [
        "analysis/test_attempts", "analysis/test_lengths", "analysis/test_truths", "analysis/test_wait_sentences",
    ],
    "tests/analysis/revisits": ["analysis/test_further_visits", "analysis/test_needs", "analysis/test_revisits", "analysis/test_tour"],
    "tests/outputs/map": [
        "outputs/test_choice", "outputs/test_grid_fit", "outputs/test_html_map", "outputs/test_map_browser",
        "outputs/test_map_browser_background", "outputs/test_map_browser_find", "outputs/test_map_browser_picture",
        "outputs/test_map_browser_reach", "outputs/test_map_browser_safe", "outputs/test_packing",
    ],
    "tests/outputs/layers": [
        "outputs/test_backgrounds", "outputs/test_canopy_raster", "outputs/test_control_layer", "outputs/test_layers",
        "outputs/test_palette_png", "outputs/test_shifts_layer", "outputs/test_zones_layer",
    ],
    "tests/outputs/plots": ["outputs/test_site_plots"],
    "tests/outputs/field": ["outputs/test_field"],
    "tests/outputs/report": ["outputs/test_report"],
    "tests/reviews": [
        "test_reviews", "test_since", "test_compare", "test_maplayers", "test_figures", "test_deliveries", "test_proposals",
    ],
}
#: Modules of tests that others import.
RENAMED_IMPORTS: dict[str, str] = {}


def moves(tree):
    made = {}
    for room, names in TO.items():
        for name in names:
            rel = f"tests/{name}.py"
            if (tree / rel).exists():
                made[rel] = f"{room}/{name.rsplit('/', 1)[-1]}.py"
    return made


def files(tree):
    return {}
