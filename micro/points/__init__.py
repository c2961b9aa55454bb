"""Point counting by a person: grid, tally, sheet, agreement."""
