"""
What belongs to a site and changes by new versions: flowsheets, tag mappings, shift calendars.

A version holds from its ``valid_from`` until that of the version which follows it in time; of two
with the same ``valid_from`` the later one holds.  No version is ever changed or taken away.
"""
