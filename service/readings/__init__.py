"""
The resource ``/v1/sites/{site}/readings``: what was measured, exactly once, nothing lost.

A reading is known by its natural identity: source, tag or sample point and analyte, sample, time.
It has versions, numbered by the source; the highest one counts, whatever the order in which they
came, and every one is kept.
"""
