"""What is read about visits, tickets, pours and weather."""
