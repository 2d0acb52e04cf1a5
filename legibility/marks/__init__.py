"""What marks may look like: rules, year letters, check characters; and how many marks there are."""
