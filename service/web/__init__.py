"""What every page needs: rendering, frames, form fields, permissions, middleware. It knows no capability."""
