"""
Where calculations run: in processes of their own, small ones apart from large ones.

A calculation keeps a core busy for milliseconds or for a minute.  In the process that serves, it
would hold up every other request; in one queue with others, a large one would stand before small
ones.  So worker processes stand ready in two lanes.  Bytes go in and bytes come out, so that the
process that serves neither reads nor writes a large document.
"""

from .lanes import Lanes
from .places import Calculations, InThreads, Misplaced, Work, weigh
from .worker import leave_with_parent

__all__ = ["Calculations", "InThreads", "Lanes", "Misplaced", "Work", "leave_with_parent", "weigh"]
