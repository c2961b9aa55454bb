"""Faults that were once put in by hand and seen by no test: (module, what stands there, what was put in its place)."""

KNOWN = (
    ("specimens/quantities.py", "d: PER_MM * _fraction(d), _along)", "d: PER_MM * _fraction(d), _across)"),
    ("specimens/quantities.py", "PER_MM * (1 - _fraction(d)), _across)", "PER_MM * (1 - _fraction(d)), _along)"),
    ("scale/calibration.py", "fit.pitch_px, drift)", "fit.pitch_px)"),
    ("measures/banding.py", "contrast = np.sqrt(width *", "contrast = np.sqrt(2 * width *"),
    ("measures/orientation.py", "np.exp(-(size**2) / squares)", "np.exp(-(size**2) / 2 / squares)"),
    ("measures/orientation.py", "np.hypot(np.degrees(spread) / 2, owed", "np.hypot(np.degrees(spread), owed"),
    (
        "comparison/coupons.py",
        "else outliers(logs)",
        "else outliers(np.exp(logs))",
    ),
    ("specimens/quantities.py", "return 1 / (1 + self.margin), 1", "return 1 - 2 * self.margin, 1"),
    ("specimens/quantities.py", "else self.margin * abs(mean)", "else 2 * self.margin * abs(mean)"),
    ("specimens/largest.py", "chdtrc(1, 2 * max", "chdtrc(1, max"),
    ("statistics/sampling.py", "np.sqrt((len(x) - 1) * np.var", "np.sqrt(len(x) * np.var"),
    ("scale/ruling.py", "return -tilt if self.transposed else tilt", "return tilt if self.transposed else -tilt"),
)
