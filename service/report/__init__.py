"""Reports: what one says, and the forms it is set in; knows nothing of balances."""
