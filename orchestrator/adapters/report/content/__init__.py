"""What reports say and in which order, as documents; how they are shown is told nowhere here."""
