"""
How many eyes a study needs
===========================

Power of the test that will be run, against the number of eyes. How much eyes differ in spread
decides: a pilot tells it (``et.spread_heterogeneity``), published SDs give 0.65.
"""

import matplotlib.pyplot as plt

import echotrace as et

n = et.eyes_for_spread_ratio(1.5, n_readings=5, heterogeneity=0.4)
print(n, "eyes show a ratio of 1.5 in 90 studies of 100, where eyes differ by 0.4")

# %%
fig, ax = plt.subplots(figsize=(5, 3.4), layout="constrained")
et.power_plot(
    {
        "eyes spread alike": lambda n: et.spread_ratio_power(1.5, n, 5, heterogeneity=0.0),
        "differ by 0.4": lambda n: et.spread_ratio_power(1.5, n, 5, heterogeneity=0.4),
        "differ by 0.65": lambda n: et.spread_ratio_power(1.5, n, 5),
    },
    [10, 20, 40, 60, 100, 150, 200],
    ax=ax,
)

# %%
# To show that methods agree: the bias within 0.1 mm, and both limits within 0.4 mm.
print(et.subjects_for_equivalence(0.1, sd=0.15), "subjects for the bias")
print(et.subjects_for_equivalence(0.4, sd=0.12, limits=True), "subjects for the limits")
