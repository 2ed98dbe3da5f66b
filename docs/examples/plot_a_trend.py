"""Valid particle counts of one machine over time: python plot_a_trend.py ARCHIVE ASSET PICTURE.png"""

import sys

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt  # noqa: E402
import skidwright  # noqa: E402

archive, asset, picture = sys.argv[1:]
samples = skidwright.open_archive(archive).samples()
good = (samples["asset"] == int(asset)) & (samples["counts_verdict"] == "valid")
for size in (4, 6, 14):
    plt.semilogy(
        samples["utc"][good], samples[f"particles_from_{size}um_per_ml"][good], label=f"{size} µm(c)"
    )
plt.ylabel("particles per mL, this size and larger")
plt.legend()
plt.savefig(picture)
