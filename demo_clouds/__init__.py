"""A made-up survey site with the truth of every point: seeded generator and small committed clouds."""
