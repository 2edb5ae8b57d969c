"""
Balances of shifts: calculated from what was posted, kept as revisions, signed by persons.

A revision never changes.  Its record holds everything it was calculated from and everything that
came out, in one canonical form, so that anyone can hold the bytes against their digest.
"""
