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
print(f"{sitting.mean_mm:.2f} mm as pressed, from {sitting.n_accepted} of {sitting.n} scans")
low, high = sitting.stated_interval_mm
print(f"the eye: {low:.2f} to {high:.2f} mm at 95 %, pressing included")

# %%
# Scan by scan; the band holds the eye.
scans = range(1, len(result.axial_length_mm) + 1)
fig, ax = plt.subplots(figsize=(6, 3), layout="constrained")
ax.axhspan(low, high, color="0.9")
ax.errorbar(scans, result.axial_length_mm, 2 * result.axial_length_u_mm, fmt="o")
ax.set(xlabel="scan", ylabel="axial length (mm)")
