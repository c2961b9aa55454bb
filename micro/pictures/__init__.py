"""Pictures for people: what was measured, drawn on the micrograph."""
