"""What the instruments get wrong: proposals with evidence, never applied by themselves."""
