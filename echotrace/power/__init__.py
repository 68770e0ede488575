"""What a measured length means for the power of an implant.

``et.power``: constants and biometry go in; :func:`lens_power_d` and :func:`refraction_d` are the
formulas, :func:`outcome`, :func:`budget` and :func:`power_table` what the uncertainty of the inputs
does to them, :func:`check_plausibility` whether a length makes sense beside everything else known,
:func:`study_eyes` all of it together under its warnings. For teaching and research; the surgeon in
charge decides.

Public names are listed in ``__init__.pyi`` and loaded on first use.
"""

from echotrace._public import public_names

__getattr__, __dir__, __all__, PUBLIC_GROUPS = public_names(
    globals(), old={"PowerInputs": "PowerSettings"}
)
