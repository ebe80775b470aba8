"""Facts of a night (a plain dict), and the page that shows them."""
