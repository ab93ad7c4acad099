"""Looking after each pull without fooling oneself: boundaries, spending, and what to do next."""
