"""From surfaces and borders to what is done next: changes, races, inventory, test plan, tag audit, trade rules."""
