"""Checks one log file from start to end, as `skidwright check` does; prints CPU time and peak memory."""

import json
import resource
import sys
import time
from pathlib import Path

from skidwright.assessment import Assessment
from skidwright.checks import VALID, CheckLimits

start = time.process_time()
assessment = Assessment(Path(sys.argv[1]), CheckLimits(sensing_volume_ml=2.5e-6))
samples = valid = 0
for data, verdicts in assessment.pieces():
    samples += len(data)
    valid += int((verdicts.verdict[:, 0] == VALID).sum())
seconds = time.process_time() - start
peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
answer = {"records": assessment.report.records, "samples": samples, "valid": valid}
print(json.dumps({**answer, "seconds": seconds, "peak_mb": peak_mb}))
