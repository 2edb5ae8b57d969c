"""The resource ``/v1/sites/{site}/tests``: laboratory tests that are kept, in revisions."""
