"""Laboratory tests: from the sheet on which the trays are written to the balance of the test."""
