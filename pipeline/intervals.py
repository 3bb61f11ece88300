"""What a 90 % interval is, for all that gives one."""

# Standard normal quantile of 0.95: half the width of a 90 % interval, in standard deviations.
HALF_90 = 1.6448536269514722
