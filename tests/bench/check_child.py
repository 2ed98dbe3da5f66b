"""Checks one log file from start to end, as `skidwright check` does; prints CPU time and peak memory."""

import json
import sys
import time
from pathlib import Path

from skidwright.checks import VALID, CheckLimits
from skidwright.samples.assessment import Assessment

start = time.process_time()
assessment = Assessment(Path(sys.argv[1]), CheckLimits(sensing_volume_ml=2.5e-6))
samples = valid = 0
for data, verdicts in assessment.pieces():
    samples += len(data)
    valid += int((verdicts.verdict[:, 0] == VALID).sum())
seconds = time.process_time() - start
# the kernel's own mark of this program's memory: getrusage would count what the parent had before
status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
peak_mb = int(status["VmHWM"].split()[0]) / 1024
answer = {"records": assessment.report.records, "samples": samples, "valid": valid}
print(json.dumps({**answer, "seconds": seconds, "peak_mb": peak_mb}))
