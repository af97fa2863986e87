"""What is kept: the journal of a run, the record of each trial, and the run as a whole."""
