package studio

// Look is how a person is dressed. Colours are 0xRRGGBB; 0 takes one from the scene's seed.
type Look struct {
	Skin     uint32  `yaml:"skin"`
	Shirt    uint32  `yaml:"shirt"`
	Trousers uint32  `yaml:"trousers"`
	Shoes    uint32  `yaml:"shoes"`
	Hat      uint32  `yaml:"hat"`
	HatKind  string  `yaml:"hat_kind"` // helmet | cap | none; "" = helmet
	Sleeves  string  `yaml:"sleeves"`  // short | long; "" = short
	Fit      string  `yaml:"fit"`      // close | loose jersey worn over the belt; "" = close
	Hair     string  `yaml:"hair"`     // short | long | tail | bald; "" = short
	Build    float64 `yaml:"build"`    // 1 = middling; 0.85 slim, 1.2 heavy; 0 = 1
	Bat      uint32  `yaml:"bat"`
}
