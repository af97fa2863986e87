"""For authors of drivers and for our tests: fakes that behave, and one conformance check for each port."""
