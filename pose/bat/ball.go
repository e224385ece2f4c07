package bat

// Flight is what the ball's way says of contact.
type Flight struct{ Seen bool }

func (f *follower) ball(r *Result) {}
