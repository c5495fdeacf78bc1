"""What the doors share: requests, the structural check, and the forms an answer is given in."""
