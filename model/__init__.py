"""Pure numerics of the bow trial: ratings, copies, trials and the bench."""
