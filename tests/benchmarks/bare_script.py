"""What someone with numpy and scipy would write in an afternoon: read each file, find the hold, fit it.

    python bare_script.py FILE...

It knows nothing of units, flags, damaged files, strokes, openings, seals or uncertainty of the instrument.
"""

from __future__ import annotations

import sys

import numpy as np
from scipy.optimize import curve_fit


def fall(t: np.ndarray, start: float, rate: float, settling: float, tau: float) -> np.ndarray:
    return start - rate * t - settling * (1 - np.exp(-t / tau))


def main(files: list[str]) -> None:
    for file in files:
        with open(file, encoding="utf-8") as lines:  # noqa: PTH123
            rows = (line for line in lines if line[0].isdigit())
            time_s, pressure = np.loadtxt(rows, delimiter=",", usecols=(0, 1), unpack=True)
        pressure = pressure - np.median(pressure[:50])
        top = int(np.argmax(pressure))
        end = top + int(np.argmax(pressure[top:] < pressure[top] / 2)) or len(pressure)
        t, p = time_s[top:end] - time_s[top], pressure[top:end]
        found, covariance = curve_fit(fall, t, p, p0=(p[0], 0.0, 1.0, 10.0), maxfev=20_000)
        rate, u = 60 * found[1], 60 * covariance[1, 1] ** 0.5
        print(f"{file}: {rate:.3f} ± {2 * u:.3f} kPa/min: {'fail' if rate - 2 * u > 0.35 else 'pass'}")


if __name__ == "__main__":
    main(sys.argv[1:])
