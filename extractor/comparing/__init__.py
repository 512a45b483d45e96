"""From readings to an honest verdict: rounds, derived figures, verdicts, plots, report."""
