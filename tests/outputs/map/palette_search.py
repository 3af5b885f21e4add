"""Search colours for the map that everyone can tell apart; prints the best set of each size.

Run by hand: `python tests/outputs/map/palette_search.py`.
"""

import numpy as np
from colour_sight import SIGHTS, contrast, distance, lab

PAPER = np.array([0xEE, 0xEA, 0xE0])
N_CANDIDATES = 1400
N_STARTS = 150


def search(n, distances, rng):
    """Improve random sets one colour at a time; keep the best of all starts."""
    best, best_set = 0.0, []
    for _ in range(N_STARTS):
        chosen = list(rng.integers(0, len(distances), n))
        is_better = True
        while is_better:
            is_better = False
            for k in range(n):
                rest = [i for j, i in enumerate(chosen) if j != k]
                score = distances[:, rest].min(axis=1)
                if score.max() > score[chosen[k]] + 1e-9:
                    chosen[k], is_better = int(score.argmax()), True
        least = distances[np.ix_(chosen, chosen)][np.triu_indices(n, 1)].min()
        if least > best:
            best, best_set = float(least), chosen
    return best, best_set


if __name__ == "__main__":
    rng = np.random.default_rng(7)
    colours = rng.integers(0, 256, (60_000, 3))
    colours = colours[contrast(colours, PAPER) >= 3.0][:N_CANDIDATES]
    seen = [lab(colours, sight) for sight in SIGHTS]
    distances = np.min([distance(one[:, None], one[None]) for one in seen], axis=0)
    for n in (4, 5, 6):
        least, rows = search(n, distances, rng)
        print(n, round(least, 1), ["#{:02x}{:02x}{:02x}".format(*colours[i]) for i in rows])
