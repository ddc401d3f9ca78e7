"""Units and numbers that hold everywhere."""

import math

MM_PER_INCH = 25.4
# A stop doubles the exposure.
LOG_STOP = math.log10(2.0)
# Exposure of a grey card, 1.0 = a perfect white.
MIDDLE_GREY = 0.18
# CIE Y of linear ACEScg red, green and blue (Academy S-2014-004).
LUMINANCE = (0.272229, 0.674082, 0.053689)
# The standard deviation of a normal law is its median absolute deviation times this.
SIGMA_OF_MAD = 1.4826
