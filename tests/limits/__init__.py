"""What the engine promises under stress: kills, memory, disk."""
