"""The local page over a store: who may look, which path shows what, and news while somebody watches."""
