"""The pattern: frame, stock, parting, draft and matching of the halves."""
