"""From a test sheet to the request for its balance, and from places in that back to the sheet."""
