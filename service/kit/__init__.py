"""What every resource of the service shares."""
