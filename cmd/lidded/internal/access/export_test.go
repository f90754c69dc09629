package access

// ClientOf is whom a limit counts.
var ClientOf = clientOf

// Parse reads a token file's text, and Identify a request's header.
var (
	Parse    = parse
	Identify = identify
)

// MostKept is how many are remembered.
const MostKept = mostKept

// Remembered tells how many clients a gate has in mind.
func Remembered(g *Gate) int {
	g.requests.mu.Lock()
	defer g.requests.mu.Unlock()
	return g.requests.order.Len()
}
