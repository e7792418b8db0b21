"""What goes where on a card, the rules it must keep, and the plan; pure."""
