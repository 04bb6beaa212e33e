"""Lines that compare two methods when both err: Deming, weighted Deming, Passing-Bablok, Theil-Sen and York."""
