"""The most that one take may be, for the settings and for whatever reads sound."""

LONGEST_TAKE_MINUTES = 180
