"""From a measured mirror and a beam to what its errors cost at the focus."""
