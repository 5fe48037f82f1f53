"""Published 10 m splits of championship finals, and the exponential law's own table.

Marks carry 0.02 s (Ae, Ito & Suzuki, New Studies in Athletics 7(1), 1992).
"""

import numpy as np
from scipy.optimize import least_squares

from pipeline.advise import laws

MARKS = np.arange(10.0, 101.0, 10.0)


MARK_SD_S = 0.02


# Race: reaction time, then seconds from the gun at 10, 20 ... 100 m.
BERLIN_2009 = (0.146, (1.88, 2.88, 3.78, 4.64, 5.47, 6.29, 7.10, 7.92, 8.74, 9.58))


BEIJING_2008 = (0.165, (1.85, 2.87, 3.78, 4.65, 5.50, 6.32, 7.14, 7.96, 8.79, 9.69))


ROME_1987 = (0.109, (1.84, 2.86, 3.80, 4.67, 5.53, 6.38, 7.23, 8.10, 8.96, 9.83))


ROME_1987_SECOND = (0.196, (1.94, 2.96, 3.91, 4.78, 5.64, 6.50, 7.36, 8.22, 9.07, 9.93))


SEOUL_1988 = (0.132, (1.83, 2.87, 3.80, 4.66, 5.50, 6.33, 7.17, 8.02, 8.89, 9.79))


SEOUL_1988_SECOND = (0.136, (1.89, 2.96, 3.90, 4.79, 5.65, 6.48, 7.33, 8.18, 9.04, 9.92))


TOKYO_1991 = (0.140, (1.88, 2.96, 3.88, 4.77, 5.61, 6.46, 7.30, 8.13, 9.00, 9.86))


RACES = {
    # Graubner & Nixdorf, New Studies in Athletics 26 (2011), 19-53.
    "Berlin 2009 men's 100 m": BERLIN_2009,
    # P.-J. Vazel's estimate from video.
    "Beijing 2008 men's 100 m": BEIJING_2008,
    # IAF Scientific Report on the II World Championships in Athletics, final report.
    "Rome 1987 men's 100 m": ROME_1987,
    # The same; intervals from memory, 50 m, 100 m and reaction time seen.
    "Rome 1987 men's 100 m, second": ROME_1987_SECOND,
    # Brüggemann & Glad, Scientific Research Project at the Games of the XXIVth Olympiad, 1990;
    # from memory, 60 m and reaction time seen.
    "Seoul 1988 men's 100 m": SEOUL_1988,
    "Seoul 1988 men's 100 m, second": SEOUL_1988_SECOND,
    # Ae, Ito & Suzuki, New Studies in Athletics 7(1), 1992; first four intervals from memory.
    "Tokyo 1991 men's 100 m": TOKYO_1991,
}


# v = V (1 - exp(-t/tau)) (Furusawa, Hill & Parkinson, Proc R Soc B 102, 1927, 29-42; Henry &
# Trafton, Res Q 22, 1951, 409-422). (V, tau): seconds at 5, 10, 20, 30, 40, 60, 100 m; speed at
# 20 m; computed from that formula to four places.
TABLE_M = (5.0, 10.0, 20.0, 30.0, 40.0, 60.0, 100.0)


TABLE = {
    (12.0, 1.25): ((1.1805, 1.7832, 2.7816, 3.6844, 4.5505, 6.2415, 9.5827), 10.7036),
    (11.0, 1.25): ((1.2416, 1.8817, 2.9502, 3.9231, 4.8608, 6.6987, 10.3406), 9.9615),
    (10.0, 1.20): ((1.2907, 1.9670, 3.1101, 4.1626, 5.1840, 7.1970, 11.1999), 9.2511),
    (9.0, 1.15): ((1.3500, 2.0712, 3.3074, 4.4595, 5.5855, 7.8154, 12.2611), 8.4928),
}


# (V, tau) of the first 60 m, reaction time taken off, least squares of the times; then with the
# start's moment free (V, tau, t0). Computed once from the splits.
FITS = {
    "Berlin 2009 men's 100 m": ((12.118, 1.211), (12.359, 1.412, -0.104)),
    "Beijing 2008 men's 100 m": ((11.826, 1.106), (12.243, 1.473, -0.195)),
    "Rome 1987 men's 100 m": ((11.664, 1.143), (11.955, 1.413, -0.146)),
    "Seoul 1988 men's 100 m": ((11.830, 1.151), (12.452, 1.671, -0.258)),
    "Rome 1987 men's 100 m, second": ((11.622, 1.155), (11.891, 1.407, -0.136)),
    "Seoul 1988 men's 100 m, second": ((11.637, 1.221), (12.303, 1.785, -0.270)),
}


def fit_law(race, marks=MARKS[:6], free_start=True):
    """(V, tau, launch) by least squares of the times over the first 60 m, reaction taken off."""
    reaction, seconds = race
    t = np.array(seconds)[: len(marks)] - reaction
    guess = [11.5, 1.3, -0.1][: 3 if free_start else 2]
    return least_squares(lambda law: laws.seconds_to(marks, *law) - t, guess).x
