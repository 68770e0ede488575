"""Colours as eyes see them: lightness and contrast, also without the green or the red cones."""

import numpy as np

# Luminance of sRGB, IEC 61966-2-1; L* of CIE 1976 (ISO/CIE 11664-4).
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
# Machado, Oliveira & Fernandes 2009, IEEE Trans Vis Comput Graph 15:1291, deuteranomaly of
# severity 1.0, on linear RGB.
WITHOUT_GREEN_CONES = np.array(
    [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ]
)


# The same, protanomaly of severity 1.0 (value from memory).
WITHOUT_RED_CONES = np.array(
    [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ]
)


NORMAL = np.eye(3)
KINDS_OF_CONES = (NORMAL, WITHOUT_GREEN_CONES, WITHOUT_RED_CONES)


def linear(colour):
    value = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255.0
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def lightness(rgb):
    y = float(np.clip(LUMINANCE @ rgb, 0.0, 1.0))
    return 116.0 * y ** (1 / 3) - 16.0 if y > 216 / 24389 else y * 24389 / 27


def contrast(one, other, seen=NORMAL):
    """Contrast ratio of WCAG 2.2, as eyes with other cones see it."""
    low, high = sorted(float(np.clip(LUMINANCE @ seen @ linear(c), 0, 1)) for c in (one, other))
    return (high + 0.05) / (low + 0.05)
