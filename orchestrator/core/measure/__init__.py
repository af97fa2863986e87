"""What was measured: samples, clocks, the steady state, the summary of a trial and its checks."""
