"""The pure core: values in, values out. No I/O, no clock; randomness only as an argument.

Read in order, the four folders are the flow: design, measure, record, verdict.
"""
