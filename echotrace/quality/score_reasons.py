"""What weighs most against the length of a trace being right, in plain words."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from echotrace.quality.score import ScoreModel, shipped_models

__all__ = ["FEATURE_WORDS", "against_the_length"]

FEATURE_WORDS: Mapping[str, str] = {
    "weakest_level_db": "the height of the weakest echo over the noise",
    "cornea_imbalance_db": "the difference of the two corneal peaks",
    "cornea_against_lens_db": "the cornea against the front of the lens",
    "lens_front_against_back_db": "the front of the lens against its back",
    "lens_echo_against_lens_db": "echoes inside the lens",
    "retina_against_lens_db": "the retina against the back of the lens",
    "retina_against_cornea_db": "the retina against the cornea",
    "retina_against_wall_db": "the retina against the wall behind it",
    "retina_against_scatter_db": "the retina against the deep orbit",
    "retina_silence_db": "the silence before the retina",
    "retina_rise_misfit": "how fast the retina rises",
    "retina_misshape": "the shape of the retinal echo",
    "wall_step_db": "the step of energy at the retina",
    "retina_over_wall_db": "the retina over all that follows it",
    "orbit_decay_db": "the decay of the orbital echoes",
    "orbit_against_retina_db": "the orbital echoes against the retina",
    "vitreous_echo_against_retina_db": "an echo in the vitreous",
    "vitreous_echo_count": "echoes just before the retina",
    "least_margin": "the lead over another choice of spikes",
    "last_margin": "the lead over another choice of the retina",
    "anatomy_distance": "an unusual length of chamber or lens",
    "fluid_gap_us": "fluid before the cornea",
    "missing_count": "a missing interface",
    "end_clipped_samples": "clipped echoes of the cornea or the retina",
    "bath_echo_against_cornea_db": "an echo before the cornea",
    "chamber_echo_against_lens_db": "an echo in the chamber",
    "retina_followed_db": "nothing behind the retina",
    "first_margin": "the lead over another choice of the cornea",
    "repeat_closeness_us": "a repeat of the bath near the retina",
}
"""Every feature that the probabilities weigh, in plain words."""

# Less than this, nats, is the lot of many a good trace.
_LEAST_NATS = 1.5


def against_the_length(
    features: Mapping[str, float], *, most: int = 2, model: ScoreModel | None = None
) -> list[str]:
    """The features that take most from the probability that one length is right, the worst first.

    Parameters
    ----------
    features : mapping of str to float
        Of the one trace. A feature that could not be had (NaN) is not named: it says nothing.
    most : int
        How many at most.
    model : ScoreModel, optional
        The shipped one where it is None; that of eyes with oil where ``oil_stated`` is 1.

    Returns
    -------
    list of str
        In plain words; only features that take 1.5 nats and more off their best.

    Examples
    --------
    >>> from echotrace.quality.score_reasons import against_the_length
    >>> against_the_length({"missing_count": 2.0, "wall_step_db": 40.0})
    ['a missing interface']
    """
    if model is None:
        oil = features.get("oil_stated", 0.0) > 0
        model = shipped_models()["length_right_oil" if oil else "length_right"]
    lost = []
    for term in model.terms:
        value = features.get(term.feature, np.nan)
        if np.isfinite(value):
            loss = max(term.nats) - float(np.interp(value, term.knots, term.nats))
            lost.append((loss, FEATURE_WORDS.get(term.feature, term.feature)))
    lost.sort(key=lambda item: -item[0])
    return [words for loss, words in lost[:most] if loss >= _LEAST_NATS]
