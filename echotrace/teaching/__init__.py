"""What a trainer shows: plates, a page to play with, exercises and how learners get on."""
