"""The dashboard in a browser: ``linewarden dash --web``. Needs the extra ``web``, but for its arguments."""
