"""On a board with the firmware: whether the counters lose anything while flash is written.

    mpremote connect PORT run tests/board/count_under_load.py

Put a known number of pulses on the counter inputs (GP2 to GP7) and the meter (GP8) while it runs: it says
when to begin and counts for SECONDS, appending records to the log without a pause. It prints what it
counted, how many records (marks, which stay in the log) it wrote and how long they took. The pump stays off.
"""

import time

SECONDS = 10


def measure(board, ticks_ms, seconds):
    """Count on `board` while its log is written; lines to print."""
    from skidboard import log_key, records
    from skidboard.journal import Journal

    board.refresh()
    before = list(board.counts)
    before.append(board.meter_count)
    key = log_key.load(board.settings_path)[0]
    journal = Journal(board.log_dir, board.device_id, board.random_u32, 280, key)
    boot = journal.open()
    slot = bytearray(records.RECORD_BYTES)
    took_ms = []
    start_ms = ticks_ms()
    while (ticks_ms() - start_ms) & 0x3FFFFFFF < seconds * 1000:
        records.pack_event(slot, records.MARK, boot, 0, text="counting under load")
        begun_ms = ticks_ms()
        if journal.append(slot) >= 0:
            took_ms.append((ticks_ms() - begun_ms) & 0x3FFFFFFF)
        board.refresh()
        board.idle(1)
    board.refresh()
    after = list(board.counts)
    after.append(board.meter_count)
    counted = [(now - then) & 0x3FFFFFFF for now, then in zip(after, before)]
    took_ms.sort()
    n = len(took_ms)
    return [
        "counted %s, meter %d" % (counted[:6], counted[6]),
        "%d records written meanwhile, in ms: median %d, 99 %% %d, longest %d"
        % (n, took_ms[n // 2], took_ms[n * 99 // 100], took_ms[-1]),
    ]


def main():
    """On the board itself."""
    from skidboard.board import Board

    board = Board()
    board.safe()
    print("counting from now on")
    try:
        lines = measure(board, time.ticks_ms, SECONDS)
    finally:
        board.leave()
    for line in lines:
        print(line)


if __name__ == "__main__":
    main()
