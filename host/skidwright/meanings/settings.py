"""What each setting of the board means, for people: the prose behind `docs/settings.md` and error messages.

Unit, range and default are in `skidboard.settings.TABLE`, the one truth for both ends.
"""

# Heading -> settings under it, in the order they are read.
GROUPS: dict[str, dict[str, str]] = {
    "The sampling cycle": {
        "autostart": "1: sampling begins by itself at power-up. 0: the skid waits for the command `start`.",
        "run": "A number of your choosing written into every record: a trial, a job, a season.",
        "assets": "The asset numbers sampled in turn, in this order. The place in the list is the number "
        "of the selector valve output that opens for it, the first being output 0. Usually left"
        " out: the `[[asset]]` tables in skid.toml give it.",
        "sample_volume_ul": "Fluid counted for one sample. More volume means more particles and so a "
        "narrower statement, and a longer count.",
        "purge_volume_ul": "Fluid drawn through the line before a count, so that none of the previous "
        "asset's fluid is left in it. Three times the volume of line and sensor is the least to choose. "
        "After a dirtier asset the board purges on by itself.",
        "purge_limit_ul": "Most that the board purges in all when more than `purge_volume_ul` is needed: "
        "when what it counts while settling, and what it counted in the sample before, show that more than "
        "`carryover_percent` would be left over. 0, or no more than `purge_volume_ul`: it never purges on.",
        "purge_limit_s": "After so long in one cycle, and after half of `run_limit_s`, it purges on no more; "
        "the count follows, and `skidwright check` says what is left over.",
        "line_volume_ul": "Volume between an asset's tap and the counter, sensor included: measure the "
        "tubing.",
        "carryover_percent": "Share of a sample's particles that may be left over from the sample before.",
        "rest_s": "Pause between samples, with the pump off.",
        "settle_ms": "Flow must have stayed in its band for this long before a count may begin.",
        "loop_steady_ua": "While settling, the water loop has to stay within this much for "
        "`settle_ms` before the count begins. When `settle_limit_s` is over the "
        "count begins all the same, with the fault `loop unsteady`.",
        "prime_limit_s": "Longest time that purging the line may take; after it the cycle is skipped "
        "with the fault `band not reached`.",
        "settle_limit_s": "Longest time the flow may take to settle in its band; after it the cycle "
        "is skipped with the fault `band not reached`.",
        "run_limit_s": "Longest time that the pump may run in one cycle; beyond it the skid trips.",
    },
    "Flow": {
        "flow_set_ul_s": "Flow that the controller holds while settling and counting. Must lie inside the"
        " band.",
        "flow_low_ul_s": "Lowest flow at which the counter's makers or your own calibration call its "
        "counts valid.",
        "flow_high_ul_s": "Highest flow at which the counts are valid. Above it particles pass too fast "
        "and count too small.",
        "purge_flow_ul_s": "Flow aimed at while priming and purging, when nothing is counted.",
        "meter_pulse_nl": "Volume that one pulse of the flow meter stands for. Every volume and every "
        "concentration rests on it: calibrate it with a measuring cylinder and the fluid you sample.",
        "meter_uncertainty_cpct": "Standard uncertainty of that volume, from its calibration. It widens the "
        "limits of every concentration.",
        "meter_table": "Volume of a pulse against viscosity, for meters that slip with thin oil: up to four "
        "of [mm2/s, nL], by rising viscosity, each within a quarter of `meter_pulse_nl`. Straight lines in "
        "temperature between the points, beyond them as at the last. Needs the fluid's viscosities and a "
        "temperature sensor; without these `meter_pulse_nl` counts.",
        "fluid_v40_dmm2_s": "Viscosity of the sampled fluid at 40 degC, for that table; 0 when there is none."
        " One for all assets: with fluids of different grades leave the table out and widen the uncertainty.",
        "fluid_v100_dmm2_s": "The same at 100 degC. In between by ASTM D341.",
    },
    "Pump and controller": {
        "pump_full_ul_s": "Flow of the pump at full duty with warm fluid, for the controller's first guess.",
        "pump_slip_permille": "Duty at which flow would begin, from the straight line of flow against duty "
        "about the set-point: what slip and friction take. `skidwright tune` measures both.",
        "start_kick_permille": "A pump at rest gets at least this duty for its first 0.3 s, to break loose.",
        "duty_min_permille": "Lowest duty at which the pump still turns.",
        "duty_max_permille": "Highest duty the controller may ask for.",
        "duty_slew_permille_s": "Fastest change of duty.",
        "gain_ppm_per_ul_s": "Proportional gain: parts per million of full duty for each uL/s of error. "
        "`skidwright tune` finds it and the next.",
        "integral_ms": "Integral time of the controller.",
        "tachometer_pulses_rev": "Pulses of the pump's tachometer for each revolution. 0: none is wired. It"
        " takes the place of the eighth sampling valve.",
    },
    "Current loops and temperature": {
        "water_low_cpct": "Saturation that the water sensor means by 4 mA.",
        "water_high_cpct": "Saturation that the water sensor means by 20 mA.",
        "water_offset_ua": "Added to each reading of the water loop's current, with `water_gain_ppm`; "
        "`skidwright calibrate loop` finds both.",
        "water_gain_ppm": "Parts per million of the water loop's reading, added to it.",
        "temp_offset_ua": "Added to each reading of the temperature loop's current.",
        "temp_gain_ppm": "Parts per million of the temperature loop's reading, added to it.",
        "temp_source": "Where fluid temperature comes from. 0: nowhere. 1: a 4-20 mA loop. 2: a thermistor.",
        "temp_low_cdeg": "Temperature that a temperature loop means by 4 mA.",
        "temp_high_cdeg": "Temperature that a temperature loop means by 20 mA.",
        "loop_converter": "What reads the current loops. 0: the chip's own converter. 1: a 16-bit converter"
        " on the I2C bus.",
        "counter_driver": "How the particle counter gives its counts. 0: pulses, one output a channel."
        " 1: lines of text on a serial line. 2: the code of one channel as a current loop, on the temperature"
        " loop's terminals. See `docs/counter_drivers.md`.",
        "code_channel": "Whose code the loop carries (`counter_driver` 2). 1: >=4, 2: >=6, 3: >=14, 4: >=21"
        " um(c).",
        "code_low": "Scale number that the loop means by 4 mA.",
        "code_high": "Scale number that the loop means by 20 mA.",
        "metal_channels": "Wear-metal channels that are wired. 0: none. 1: ferrous. 2: ferrous and "
        "non-ferrous.",
        "calibration_due_day": "Day on which the counter's calibration runs out, counted from 2000-01-01;"
        " 0 when unknown. Usually left out: `[counter] calibration_due` in "
        "skid.toml gives it as a date.",
        "meter_due_day": "Day on which the flow meter's calibration runs out, counted from 2000-01-01; 0 when"
        " it was never calibrated. `skidwright calibrate flow` gives it.",
        "loops_due_day": "The same for the inputs of the current loops; `skidwright calibrate loop` gives"
        " it.",
    },
    "Interlocks": {
        "no_flow_ms": "The pump is driven and the meter gives no pulse for this long: trip. Must allow "
        "for the slowest pump-up with cold fluid.",
        "unwanted_flow_ul": "This much fluid passes while the pump is off, with no pause of a minute:"
        " trip, for a valve leaks or a hose has burst.",
        "fluid_hot_cdeg": "Fluid hotter than this: trip. 0 switches it off.",
        "duty_limit_ms": "Duty at its highest for this long: reported as a fault, for the pump has no"
        " reserve left; with flow below its band all that time: trip, if `stop_also` says so.",
        "stop_also": "Faults that are to stop the pump besides those that always do, added up. 1: water loop"
        " failed. 2: temperature sensor failed (without it `fluid_hot_cdeg` is blind). 4: duty at its limit"
        " with flow below its band. 8: the counter's own line gives no counts (`counter_driver`).",
        "trip_hold_s": "After the cause of a trip has gone, the skid waits this long before it goes on, if "
        "it may do so by itself (see `docs/faults.md`).",
    },
    "Clean-up runs": {
        "cleanup_4um": "Target of a clean-up run: the highest scale number of particles >=4 um(c) "
        "(ISO 4406). 0: not asked. `skidwright cleanup` sets this and the others; see `docs/cleanup.md`.",
        "cleanup_6um": "The same for >=6 um(c).",
        "cleanup_14um": "The same for >=14 um(c).",
        "cleanup_water_cpct": "Highest water saturation that a clean-up run is content with; 0: not asked.",
        "cleanup_samples": "So many valid samples in a row must be at or below every target before the run "
        "ends.",
        "cleanup_rest_s": "Pause between samples while a clean-up runs, in place of `rest_s`.",
        "cleanup_limit_s": "Longest time of a clean-up run; after it the output goes off, clean or not.",
        "cleanup_stall_s": "The output goes off when for so long nothing that is above its target has come "
        "down by a sixteenth, valid samples being wanted for that.",
        "cleanup_output": "Selector output, 1 to 8 as on the terminals, that drives the relay of the filter "
        "cart's or dryer's pump while a clean-up runs. 0: none. It must be above the number of assets.",
    },
    "Log and supervision": {
        "log_segments": "Segments of 4096 bytes the log may fill. When it is full the oldest is given up,"
        " and a record says how many records went and whether a host held them. Each "
        "holds 28 records.",
        "watchdog_ms": "The board restarts, with the pump off, when the main loop stands still for this long;"
        " at least 2000, for the loop turns once a second at rest and a record may take a while. 0 switches"
        " the watchdog off, which is for work on the bench only.",
    },
}

MEANINGS: dict[str, str] = {name: text for group in GROUPS.values() for name, text in group.items()}
