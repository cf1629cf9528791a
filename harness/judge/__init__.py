"""Agreement with the hand calculation, limits, verdicts; reads metrics, starts no simulation of its own."""
