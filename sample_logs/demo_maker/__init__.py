"""Makes the demo campaign: an invented yacht, an invented season. Everything in it is synthetic."""
