"""What people choose and keep, by conditional logit."""
