"""Where rooms meet: load a campaign, run a flight, hear into it, review, compare, report. Commands and screens call these."""
