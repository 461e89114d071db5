"""What people are told of a budget: the report, the pictures, advice, and exchange blocks."""
