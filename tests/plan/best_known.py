"""The shortest plans known of the sixty random sessions, and the longest bounds proved, in seconds.

They were found once, by searches longer than a plan may take: up to 60 passes by `exact.improve` with an effort of 2,
in part of 6, from built-in plans of 1 to 5 times the usual work, and in part by ten times that work where hands rest;
beyond 60 passes by versions of the built-in planner, in part with ten times the work. All of those plans keep the rules
of `tests.plan.checker`. A bound is the greater one of `lower_bound` and what those searches proved. Lengths are rounded
up to a tenth, bounds down. Whoever finds a shorter plan or proves more, writes it here.
"""

from __future__ import annotations

__all__ = ["BEST_KNOWN"]

BEST_KNOWN: dict[int, tuple[float, float]] = {
    0: (4227.4, 4227.3),
    1: (2710.6, 2710.5),
    2: (5090.6, 5026.5),
    3: (7348.2, 7269.1),
    4: (5203.3, 4990.0),
    5: (2561.2, 2447.4),
    6: (14945.3, 14587.2),
    7: (11716.6, 11656.6),
    8: (19659.2, 19516.1),
    9: (18674.8, 18591.7),
    10: (1728.7, 1687.7),
    11: (3196.6, 2897.2),
    12: (7036.7, 6904.1),
    13: (6518.0, 6518.0),
    14: (7215.5, 7187.4),
    15: (6164.5, 6164.4),
    16: (5291.9, 5187.8),
    17: (11857.6, 11787.5),
    18: (19807.7, 19654.6),
    19: (20913.7, 20831.6),
    20: (3076.1, 3076.0),
    21: (2471.5, 2471.4),
    22: (3901.1, 3854.0),
    23: (4350.3, 4277.3),
    24: (7689.0, 7491.9),
    25: (11457.7, 11276.6),
    26: (15170.8, 14889.7),
    27: (11367.0, 10928.9),
    28: (14813.3, 14758.2),
    29: (16123.3, 15936.2),
    30: (2932.9, 2908.8),
    31: (6347.5, 6233.4),
    32: (4511.4, 4234.3),
    33: (7289.8, 6847.3),
    34: (4129.1, 3943.0),
    35: (7574.3, 7535.2),
    36: (21264.0, 21145.9),
    37: (11973.8, 11862.7),
    38: (18166.9, 18043.8),
    39: (17203.3, 15581.6),
    40: (1661.0, 1660.9),
    41: (3048.0, 3047.9),
    42: (7389.0, 7190.9),
    43: (5758.4, 5663.3),
    44: (5729.3, 5424.2),
    45: (5854.6, 5849.5),
    46: (6682.2, 6613.1),
    47: (5461.8, 5324.7),
    48: (28206.9, 27865.8),
    49: (38741.7, 38503.6),
    50: (5126.3, 5092.2),
    51: (2169.2, 2169.1),
    52: (3181.6, 3076.5),
    53: (4786.0, 4785.9),
    54: (12409.2, 12231.1),
    55: (12336.9, 11963.8),
    56: (9024.3, 8975.2),
    57: (7201.5, 6912.4),
    58: (14144.7, 13836.6),
    59: (7379.8, 7255.8),
}
"""Session to the length of the shortest plan known and the bound."""
