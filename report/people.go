package report

// People are those in the picture at one instant of a swing, where there are
// several: so that a person can say which of them is the hitter.
type People struct {
	Picture string     `json:"picture"` // file below the clip's folder, with their numbers
	TimeS   Num        `json:"time_s"`
	Of      []Somebody `json:"of"`
}

// Somebody is one of them. X and Y are the middle of the body, shares of the upright picture's width and height.
type Somebody struct {
	Number int  `json:"number"`
	X      Num  `json:"x"`
	Y      Num  `json:"y"`
	Hitter bool `json:"hitter"` // who was measured
}
