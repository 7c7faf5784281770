"""Published foundry values: alloys, allowances, angles and yields, each with its source."""
