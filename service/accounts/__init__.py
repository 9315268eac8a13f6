"""The staff: accounts, passwords, the second factor, sign-ins, and which dealer an account is bound to."""
