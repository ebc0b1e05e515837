"""The mathematics: physics, priors, inference and scores on plain arrays."""
