"""Flow and counts of a board, once a second: python watch_a_bench_test.py PORT [LOOKS]"""

import sys
import time

import skidwright

looks = int(sys.argv[2]) if len(sys.argv) > 2 else 60
with skidwright.open_port(sys.argv[1]) as board:
    board.hello()
    for _ in range(looks):
        now = board.status()
        print(f"{now['state']}: {now['flow_ul_s'] * 0.06:.1f} mL/min, counts {now['counts']}", flush=True)
        time.sleep(1)
