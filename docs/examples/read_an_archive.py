"""How many samples of each machine may be believed, and how each stands: python read_an_archive.py ARCHIVE"""

import sys

import skidwright

pulled = skidwright.open_archive(sys.argv[1])
samples = pulled.samples()
for one in pulled.standings():
    mine = samples["asset"] == one.asset.number
    valid = mine & (samples["counts_verdict"] == "valid")
    print(f"asset {one.asset.number}: {valid.sum()} of {mine.sum()} counts valid; {one.word}")
