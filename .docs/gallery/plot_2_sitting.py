"""
From scans to one length
========================

What belongs to one scan is kept apart from what all scans share: averaging shrinks the first only.
"""

import matplotlib.pyplot as plt

import echotrace as et

recording = et.read("../../synthetic_traces/contact_sitting.h5")
result = et.measure(recording)
(sitting,) = et.summarise(result)
print(f"{sitting.mean_mm:.2f} mm from {sitting.n_accepted} of {sitting.n} scans")
print(f"together ± {sitting.expanded_mm:.2f} mm at 95 %")

# %%
# How the beam was held, with 90 % intervals.
alignment = et.estimate_alignment(result, recording)
fig, ax = plt.subplots(figsize=(5, 4), layout="constrained")
et.plot_alignment(alignment, 0, ax=ax)
