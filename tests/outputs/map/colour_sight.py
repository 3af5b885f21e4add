"""How far apart colours look, also to readers who lack one kind of cone.

CIEDE2000 after Sharma, Wu & Dalal 2005 (Color Research & Application 30:21-30); missing cones
after Machado, Oliveira & Fernandes 2009 (IEEE TVCG 15:1291-1298), full severity, matrices on
linear sRGB; contrast after WCAG 2.2. Coefficients from memory, checked in test_palette.py.
"""

import numpy as np

SIGHTS = {
    "normal": np.eye(3),
    "protan": np.array([[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                        [-0.003882, -0.048116, 1.051998]]),
    "deutan": np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                        [-0.011820, 0.042940, 0.968881]]),
    "tritan": np.array([[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
                        [0.004733, 0.691367, 0.303900]]),
}  # fmt: skip
_TO_XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
_WHITE = np.array([0.95047, 1.0, 1.08883])


def linear(rgb):
    """sRGB 0..255 to linear light 0..1."""
    c = np.asarray(rgb, dtype=float) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def from_hex(colour):
    """`#rrggbb` to three numbers."""
    return np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)])


def contrast(one, other):
    """WCAG contrast of two sRGB colours."""
    weights = np.array([0.2126, 0.7152, 0.0722])
    light = np.sort(
        np.stack(np.broadcast_arrays(linear(one) @ weights, linear(other) @ weights)), 0
    )
    return (light[1] + 0.05) / (light[0] + 0.05)


def lab(rgb, sight="normal"):
    """CIELAB of sRGB colours as one kind of sight has them."""
    seen = np.clip(linear(rgb) @ SIGHTS[sight].T, 0, 1)
    x = seen @ _TO_XYZ.T / _WHITE
    f = np.where(x > 216 / 24389, np.cbrt(x), (24389 / 27 * x + 16) / 116)
    return np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], -1
    )


def distance(one, other):
    """CIEDE2000 between CIELAB colours."""
    l1, a1, b1 = np.moveaxis(np.asarray(one, float), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(other, float), -1, 0)
    mean_c = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2
    g = 0.5 * (1 - np.sqrt(mean_c**7 / (mean_c**7 + 25.0**7)))
    a1, a2 = a1 * (1 + g), a2 * (1 + g)
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360, np.degrees(np.arctan2(b2, a2)) % 360
    grey = c1 * c2 == 0
    turn = np.where(grey, 0, (h2 - h1 + 180) % 360 - 180)
    dh = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn) / 2)
    far = np.abs(h1 - h2) > 180
    h = np.where(grey, h1 + h2, np.where(far, (h1 + h2 + 360) / 2 % 360, (h1 + h2) / 2))
    light, c = (l1 + l2) / 2, (c1 + c2) / 2
    t = (
        1
        - 0.17 * np.cos(np.radians(h - 30))
        + 0.24 * np.cos(np.radians(2 * h))
        + 0.32 * np.cos(np.radians(3 * h + 6))
        - 0.20 * np.cos(np.radians(4 * h - 63))
    )
    sl = 1 + 0.015 * (light - 50) ** 2 / np.sqrt(20 + (light - 50) ** 2)
    sc, sh = 1 + 0.045 * c, 1 + 0.015 * c * t
    rt = (
        -np.sin(2 * np.radians(30 * np.exp(-(((h - 275) / 25) ** 2))))
        * 2
        * np.sqrt(c**7 / (c**7 + 25.0**7))
    )
    dl, dc = (l2 - l1) / sl, (c2 - c1) / sc
    return np.sqrt(dl**2 + dc**2 + (dh / sh) ** 2 + rt * dc * dh / sh)


def least_distance(colours):
    """Smallest distance of any two colours under any sight."""
    labs = [lab(colours, sight) for sight in SIGHTS]
    pairs = np.triu_indices(len(colours), 1)
    return min(float(distance(one[:, None], one[None])[pairs].min()) for one in labs)
