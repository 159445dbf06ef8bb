"""When is a slab or element ready: what a job asks for, the published rules as data, and the verdict as a value."""
