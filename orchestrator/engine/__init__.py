"""The verbs. The engine reaches the world only through its ports and is a single-threaded polling loop."""
