"""Settings tried on traces of known truth, and held against the presets on eyes not tuned on."""
