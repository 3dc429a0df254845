"""What is written about visits, tickets, pours and weather; one module per use case."""
