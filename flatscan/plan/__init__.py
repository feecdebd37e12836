"""What to do about a wall: finish plane, humps to cut, coats, order, price, set-out, and lows to fill."""
