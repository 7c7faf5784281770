"""Plain-text reports of parts, kits, proofs and alloys."""
