"""How the crew hears of it: one file per way out. They are told only what the store has committed."""
