"""The resource ``/v1/sites/{site}/flowsheets``: the flowsheets of a site, in versions."""
