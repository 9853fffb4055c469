"""How a message looks: blocks, and the plain text, HTML and pictures they become."""
