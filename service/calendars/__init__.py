"""The resource ``/v1/sites/{site}/calendar``: when shifts and production days begin."""
