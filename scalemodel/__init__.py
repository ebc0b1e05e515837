"""A statistical model of where the CPU ceiling sits and how frame rate follows a card's specs."""
