"""From the engine's balance to the reply: names, trade units, nothing invented."""
