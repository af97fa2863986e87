"""The parts that a report is made of, and how its figures are written: plain values, whoever shows them."""
