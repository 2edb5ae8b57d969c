"""The resource ``/v1/sites/{site}/mapping``: what the plant's tags and the lab's codes mean."""
