"""A place to film from and an expected throw -> what the film will show of it."""
