package check

import "fmt"

// Severity of a finding.
type Severity int

const (
	Off     Severity = iota // not reported
	Note                    // worth knowing
	Warning                 // likely to be asked about
	Refusal                 // usually refused
)

var severityNames = [...]string{"off", "note", "warning", "refusal"}

func (s Severity) String() string { return severityNames[s] }

// MarshalText writes the severity's name.
func (s Severity) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads the severity's name.
func (s *Severity) UnmarshalText(text []byte) error {
	for i, n := range severityNames {
		if n == string(text) {
			*s = Severity(i)
			return nil
		}
	}
	return fmt.Errorf("severity %q, want off, note, warning or refusal", text)
}

// Rule is one thing a reviewer looks at. The rules are common practice in the picture trade, without a source; each
// library's own terms come first.
type Rule struct {
	ID       string
	Severity Severity // until a terms file says otherwise
	Title    string   // what was found, in a few words
	Why      string   // why it matters, in plain words
	Mend     string   // what Mend does about it, "" if a person has to
}

// Rules lists every rule, in the order of a report.
var Rules = []Rule{
	{"unreadable", Refusal, "part of the file cannot be read",
		"other programs will show something else, or nothing", ""},
	{"empty", Refusal, "nothing is painted", "there is nothing to sell in the file", ""},
	{"drawing-area", Refusal, "no single, clear drawing area",
		"a library cuts its previews to one drawing area and needs to know which", "one drawing area is written"},
	{"outside-area", Refusal, "parts lie outside the drawing area",
		"what lies outside is cut from the preview but still there for the buyer", "parts outside are cut off along the edge"},
	{"stroke", Refusal, "a stroked outline", "strokes change their look when a buyer scales the drawing", ""},
	{"open-path", Refusal, "an outline that is not closed", "cutters and other programs take it for a mistake",
		"a straight line closes it, which changes nothing that is seen"},
	{"stray-point", Refusal, "a lone point", "it enlarges selections and shows up as dirt in outline view", "taken out"},
	{"zero-area", Refusal, "an outline around no area", "it paints nothing and is in the way", "taken out"},
	{"unpainted", Refusal, "an outline without fill or stroke", "it is invisible and in the way", "taken out"},
	{"raster", Refusal, "a picture made of pixels", "it cannot be enlarged as the rest can", ""},
	{"text", Refusal, "type that is not outlines", "it changes where the font is missing", ""},
	{"gradient", Refusal, "a gradient or pattern", "it does not survive every format, and cannot be recoloured in one place", ""},
	{"transparency", Refusal, "transparent paint", "older formats have none; colours change where it overlaps", ""},
	{"effect", Refusal, "a filter, mask or blend mode", "it turns into pixels or vanishes in other programs", ""},
	{"clip-path", Refusal, "a part cut by a clip path", "what is cut off is still in the file", ""},
	{"hidden", Refusal, "a hidden layer or shape", "the buyer would get what the preview does not show", "taken out"},
	{"locked", Refusal, "a locked layer or shape", "the buyer cannot change it", "unlocked"},
	{"colour-space", Refusal, "a colour that is not sRGB", "it looks different in each program", ""},
	{"script", Refusal, "a script, animation or event", "files that do something are refused as unsafe", ""},
	{"external", Refusal, "a reference to another file", "the other file is not there when this one is sold", ""},
	{"instance", Warning, "a copy by reference", "some programs do not open such copies", "turned into a shape of its own"},
	{"private-data", Note, "private data of an editor", "it makes the file larger and tells who worked with what", "taken out"},
	{"transform", Note, "shapes with a transform", "their real coordinates are elsewhere; cutters trip over it",
		"worked into the coordinates"},
	{"idle", Warning, "a definition or colour that nothing uses", "the buyer's list of colours fills with dead ones", "taken out"},
	{"empty-group", Warning, "an empty group", "it shows up as an empty layer", "taken out"},
	{"loose-shape", Warning, "a shape outside every layer", "the buyer cannot find it in the list of layers",
		"put into the layer of its colour"},
	{"layer-name", Warning, "a layer without a telling name", "the buyer cannot tell the layers apart", "named after its colour"},
	{"layer-colour", Warning, "layers and colours do not match one to one",
		"recolouring in one place needs one layer for each colour", "shapes are regrouped by colour where painting order allows it"},
	{"covered-shape", Warning, "a shape that others hide entirely", "hidden leftovers look careless in outline view", "taken out"},
	{"hairline", Warning, "a hairline gap between two shapes",
		"where colours only touch, the ground shines through in most viewers; the lower one should run on beneath",
		"the lower one is carried on beneath, where that changes nothing else"},
	{"sliver", Warning, "a hair-thin shape", "it is usually a leftover, and flickers in print", "taken out"},
	{"crossing", Warning, "an outline that crosses itself",
		"programs fill such places by different rules, and cutters cut them twice",
		"parted where it crosses, which changes nothing that is seen"},
	{"near-points", Warning, "points almost on top of each other", "it looks careless in outline view, and curves kink there",
		"merged"},
	{"excess-points", Warning, "many more points than the shape needs", "reviewers take it for an untouched automatic trace",
		"points that can go without moving the outline are taken out"},
	{"near-colours", Warning, "two colours that can hardly be told apart", "the buyer has to recolour both",
		"the smaller area takes the colour of the larger where painting order allows it"},
	{"signature", Warning, "marks that look like a signature", "signatures in the picture are refused; the creator belongs in the metadata", ""},
	{"clipped", Warning, "the drawing is cut by the edge of its area", "buyers want whole motifs with a margin", ""},
	{"area-size", Warning, "the drawing area is outside the library's limits", "the upload would be turned away",
		"the drawing is scaled"},
	{"file-size", Warning, "a large file", "uploads have limits, and buyers' programs slow down", ""},
	{"title-missing", Warning, "no title in the file", "nobody finds a picture without a name", ""},
	{"title-length", Warning, "a title of unusual length", "long titles are cut off in lists, short ones tell nothing", ""},
	{"keyword-count", Warning, "too few or too many keywords", "too few are not found, too many count as spam", ""},
	{"keyword-duplicate", Warning, "a keyword twice", "repetition counts as spam", "taken out"},
	{"keyword-plural", Warning, "singular and plural of one keyword", "searches treat them as one word", "the plural is taken out"},
	{"keyword-phrase", Note, "a keyword that is no single concept", "searches match words, not sentences", ""},
	{"trade-sign", Refusal, "a trademark or copyright sign in title or keywords",
		"names that others own must not be used to sell a picture", ""},
	{"refused-word", Refusal, "a word that the library refuses", "the upload would be turned away", ""},
}

// ruleIndex finds a rule by its id.
var ruleIndex = func() map[string]int {
	m := map[string]int{}
	for i, r := range Rules {
		m[r.ID] = i
	}
	return m
}()

// RuleByID returns the rule of a finding. An id that no rule has gives the first rule.
func RuleByID(id string) Rule { return Rules[ruleIndex[id]] }
