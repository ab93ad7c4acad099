"""Before the pulls: how many, in what order, to see an effect; and the question, declared."""
