"""
Traces with known truth
=======================

A scenario is a short TOML file; each trace carries the exact arrival of every interface, which the
measuring chain never reads.
"""

import matplotlib.pyplot as plt
import numpy as np

import echotrace as et

recording = et.synthesise("../../synthetic_traces/immersion_oblique.toml", count=6, seed=7)
result = et.measure(recording)
truth_mm = recording.truth.columns["axial_length_mm"]

fig, ax = plt.subplots(figsize=(6, 3))
ax.plot(np.arange(1, len(truth_mm) + 1), 1000 * (result.axial_length_mm - truth_mm), "o")
ax.axhline(0, color="0.7")
ax.set(xlabel="scan", ylabel="measured less true length (µm)")
fig.tight_layout()
