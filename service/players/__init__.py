"""Who a player is to a dealer, and what is known of them: gathered here, and nowhere else."""
