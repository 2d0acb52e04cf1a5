"""Weight of evidence for a disputed identity: ratios, their validity, and agreement of readers."""
