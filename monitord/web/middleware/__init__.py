"""What every request passes: the check of its origin, and the tag by which an unchanged answer is not sent again."""
