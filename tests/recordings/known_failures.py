"""What is known to fail, by kind of recording and fact, with the figures of the day it was entered.

`python tests/recordings/score.py 20 --known` prints such a table anew; 60 recordings find more.
"""

KNOWN: dict[tuple[str, ...], str] = {
    ("one_way_from_a_force_below_zero", "quantity", "peak_force_n"): "u is 5.2 times the spread",
    ("ramp_and_hold_from_the_first_row", "quantity", "initial_n_per_mm"): "reported in 65 %",
    ("platen_creeps_in_the_hold", "quantity", "force_retention_1s_pct"): "reported in 5 %",
    ("platen_creeps_in_the_hold", "quantity", "force_retention_10s_pct"): "reported in 5 %",
    ("preload_at_the_first_row", "quantity", "contact_mm"): "u is 39.7 times the spread",
    ("preload_at_the_first_row", "quantity", "contact_at_force_mm"): "u is 24.0 times the spread",
    ("preload_at_the_first_row", "quantity", "peak_deflection_mm"): "u is 4.6 times the spread",
    (
        "preload_at_the_first_row",
        "quantity",
        "energy_absorbed_mj",
    ): "reported in 50 %, u is 7.4 times the spread",
    ("preload_at_the_first_row", "quantity", "at_depth_loading_n"): "u is 31.5 times the spread",
    ("preload_at_the_first_row", "quantity", "at_depth_unloading_n"): "u is 17.7 times the spread",
    ("stiffening_foam_with_drift_and_correlation", "quantity", "hysteresis_pct"): "u is 4.4 times the spread",
    ("presses_that_grow_deeper", "quantity", "knee_mm"): "u is 6.1 times the spread",
    ("platen_sticks_and_slips", "quantity", "chord_n_per_mm"): "u is 5.7 times the spread",
    ("platen_sticks_and_slips", "quantity", "loss_mj"): "u is 5.5 times the spread",
    ("platen_sticks_and_slips", "quantity", "at_depth_loading_n"): "u is 7.3 times the spread",
    ("platen_sticks_and_slips", "quantity", "at_depth_unloading_n"): "u is 7.6 times the spread",
    ("contact_is_kept_between_presses", "quantity", "energy_absorbed_mj"): "reported in 20 %",
    ("sine_of_few_rows", "quantity", "knee_mm"): "reported in 78 %",
    ("sine_of_few_rows", "quantity", "knee_n"): "reported in 78 %",
}

LONG_COUNT = 60
KNOWN_IN_LONG_COUNTS: dict[tuple[str, ...], str] = {
    ("still_start_and_white_noise", "quantity", "knee_mm"): "u is 6.6 times the spread",
    ("platen_creeps_in_the_hold", "quantity", "loss_mj"): "within 2u in 77 %",
    ("sine_of_few_rows", "quantity", "set_mm"): "u is 4.4 times the spread",
}
"""What only as many recordings as `LONG_COUNT`, or more, show to fail."""
