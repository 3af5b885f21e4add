"""How sure each recommendation is: what it hangs on is drawn, and the choice made anew."""
