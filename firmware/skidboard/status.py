"""The state of things as a table for a host."""

from skidboard import faults
from skidboard.current_loop import LOOP_FAILED
from skidboard.sample import COUNTERS
from skidboard.sequence import COUNT, STATE_NAMES


def status(app):
    """A dictionary of plain values, units in the names."""
    process = app.process
    sequence = process.sequence
    sample = process.sample
    water = process.water
    temp = process.temp
    journal = app.journal
    counting = sequence.state == COUNT
    return {
        "state": STATE_NAMES[sequence.state],
        "state_ms": sequence.state_ms,
        "faults": faults.names(process.faults),
        "asset": app.asset(),
        "run": app.settings["run"],
        "flow_ul_s": process.flow.value_ul_s,
        "set_ul_s": sequence.set_ul_s,
        "in_band": sequence.in_band,
        "duty_permille": process.controller.duty_permille,
        "pump_rpm": process.tachometer.speed_rpm,
        "by_hand": sequence.by_hand(),
        "counts": list(sample.counts) if counting else [0] * COUNTERS,
        "volume_ul": sample.pulses * sample.pulse_nl // 1000 if counting else 0,
        "sample_volume_ul": app.settings["sample_volume_ul"],
        "purged_ul": sample.purge_ul if sequence.set_ul_s else 0,
        "water_ua": water.loop_ua,
        "water_cpct": water.value,
        "water_state": water.state,
        "temp_cdeg": temp.value if temp else 0,
        "temp_state": temp.state if temp else LOOP_FAILED,
        "cleanup": process.cleanup.state(),
        "uptime_ms": app.timebase.uptime_ms(),
        "boot": app.timebase.boot,
        "next_sample_s": sequence.seconds_to_next(),
        "samples": app.recorder.samples,
        "stored": app.recorder.sample_stored,
        "log_segments": journal.segment_last - journal.segment_first + 1,
        "log_segments_max": journal.capacity(),
        "stored_seq": journal.stored_seq,
        "next_seq": journal.next_seq,
        "records_lost": journal.lost,
        "log_keyed": journal.keyed,
        "settings_crc": app.settings_crc,
        # As they stand at the pins (or as its driver has the counter's), for checking the wiring: six counts,
        # the meter, stop chain and switches.
        "edges": (process.driver or app.board).counts + [app.board.meter_count],
        "tacho_edges": app.board.tacho_count,
        "inputs": app.board.inputs,
        "temp_ua": app.board.temp_ua,
        "temp_ohm": app.board.temp_ohm,
    }
