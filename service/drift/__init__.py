"""Drift: many shifts of one flowsheet in, instruments that are off and wrong sds out."""
