"""What whoever runs the service looks after: backups, health, what programs look for."""
