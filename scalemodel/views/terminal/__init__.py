"""What a terminal shows, one module a command."""
