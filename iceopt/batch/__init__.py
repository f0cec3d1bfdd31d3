"""Many fits: on this machine or by a site's scheduler, with all state on disk."""
