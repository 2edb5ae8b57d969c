"""Balances: a flowsheet and readings in, a reconciled balance out."""
