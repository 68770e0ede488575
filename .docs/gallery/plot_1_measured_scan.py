"""
A scan as the chain saw it
==========================

The envelope with its gates, the picks and the names of the interfaces.
"""

import matplotlib.pyplot as plt

import echotrace as et

recording = et.read("../../synthetic_traces/immersion_sitting.h5")
result = et.measure(recording)
print([round(float(length), 3) for length in result.axial_length_mm])

# %%
# The third scan was held off the axis. The findings say why it is not to be trusted.
print(result.finding_list(2))

# %%
fig, ax = plt.subplots(figsize=(8, 3.4), layout="constrained")
et.plot_trace(recording, 0, ax=ax)
