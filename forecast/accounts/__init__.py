"""People who sign in: who they are, what their role lets them do, and what they did."""
