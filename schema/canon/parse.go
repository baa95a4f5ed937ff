package canon

import (
	"math"
	"strconv"
	"unicode/utf8"
)

// Parse reads exactly one JSON value. Every error is an *Error.
func Parse(b []byte) (Value, error) {
	if len(b) > MaxBytes {
		return Value{}, &Error{Offset: MaxBytes, Detail: "the JSON is larger than 8 MiB"}
	}
	p := parser{in: b}
	p.space()
	v, err := p.value(0)
	if err != nil {
		return Value{}, err
	}
	p.space()
	if p.at < len(b) {
		return Value{}, p.fail("something follows the end of the JSON value")
	}
	return v, nil
}

type parser struct {
	in     []byte
	at     int
	values int
}

func (p *parser) fail(detail string) *Error { return &Error{Offset: p.at, Detail: detail} }

func (p *parser) space() {
	for p.at < len(p.in) {
		switch p.in[p.at] {
		case ' ', '\t', '\n', '\r':
			p.at++
		default:
			return
		}
	}
}

// value returns a plain error so that a nil *Error never hides in it.
func (p *parser) value(depth int) (Value, error) {
	if depth > MaxDepth {
		return Value{}, p.fail("the JSON is nested more than 64 deep")
	}
	if p.values++; p.values > MaxValues {
		return Value{}, p.fail("the JSON holds too many values")
	}
	if p.at >= len(p.in) {
		return Value{}, p.fail("the JSON ends where a value should be")
	}
	switch c := p.in[p.at]; {
	case c == '{':
		return p.object(depth)
	case c == '[':
		return p.list(depth)
	case c == '"':
		s, err := p.str()
		if err != nil {
			return Value{}, err
		}
		return Value{Kind: String, Str: s}, nil
	case c == '-' || c >= '0' && c <= '9':
		return p.number()
	case c == 't':
		return p.word("true", Value{Kind: Bool, Bool: true})
	case c == 'f':
		return p.word("false", Value{Kind: Bool})
	case c == 'n':
		return p.word("null", Value{})
	}
	return Value{}, p.fail("no JSON value starts like this")
}

func (p *parser) word(w string, v Value) (Value, error) {
	if len(p.in)-p.at < len(w) || string(p.in[p.at:p.at+len(w)]) != w {
		return Value{}, p.fail("no JSON value starts like this")
	}
	p.at += len(w)
	return v, nil
}

func (p *parser) list(depth int) (Value, error) {
	v := Value{Kind: List}
	p.at++
	p.space()
	if p.take(']') {
		return v, nil
	}
	for {
		p.space()
		item, err := p.value(depth + 1)
		if err != nil {
			return Value{}, under("["+strconv.Itoa(len(v.List))+"]", err)
		}
		v.List = append(v.List, item)
		p.space()
		if p.take(']') {
			return v, nil
		}
		if !p.take(',') {
			return Value{}, p.fail("a list wants a comma or ] here")
		}
	}
}

func (p *parser) object(depth int) (Value, error) {
	v := Value{Kind: Object}
	p.at++
	p.space()
	if p.take('}') {
		return v, nil
	}
	var seen map[string]struct{} // only for objects too long to compare one by one
	for {
		p.space()
		if p.at >= len(p.in) || p.in[p.at] != '"' {
			return Value{}, p.fail("an object wants a key in quotes here")
		}
		start := p.at
		key, err := p.str()
		if err != nil {
			return Value{}, err
		}
		twice := false
		if len(v.Keys) < 16 {
			for _, k := range v.Keys {
				twice = twice || k == key
			}
		} else {
			if seen == nil {
				seen = make(map[string]struct{}, 64)
				for _, k := range v.Keys {
					seen[k] = struct{}{}
				}
			}
			_, twice = seen[key]
			seen[key] = struct{}{}
		}
		if twice {
			return Value{}, &Error{Offset: start, Detail: "an object has the same key twice"}
		}
		p.space()
		if !p.take(':') {
			return Value{}, p.fail("a key wants a colon after it")
		}
		p.space()
		item, err := p.value(depth + 1)
		if err != nil {
			return Value{}, under(key, err)
		}
		v.Keys = append(v.Keys, key)
		v.Vals = append(v.Vals, item)
		p.space()
		if p.take('}') {
			return v, nil
		}
		if !p.take(',') {
			return Value{}, p.fail("an object wants a comma or } here")
		}
	}
}

func (p *parser) take(c byte) bool {
	if p.at < len(p.in) && p.in[p.at] == c {
		p.at++
		return true
	}
	return false
}

func (p *parser) digits() bool {
	start := p.at
	for p.at < len(p.in) && p.in[p.at] >= '0' && p.in[p.at] <= '9' {
		p.at++
	}
	return p.at > start
}

func (p *parser) number() (Value, error) {
	start := p.at
	p.take('-')
	if !p.take('0') && !p.digits() {
		return Value{}, p.fail("a number wants a digit here")
	}
	if p.at < len(p.in) && p.in[p.at] >= '0' && p.in[p.at] <= '9' {
		return Value{}, p.fail("a number may not start with a zero")
	}
	if p.take('.') && !p.digits() {
		return Value{}, p.fail("a number wants a digit after its point")
	}
	if p.take('e') || p.take('E') {
		if !p.take('+') {
			p.take('-')
		}
		if !p.digits() {
			return Value{}, p.fail("a number wants a digit in its exponent")
		}
	}
	raw := string(p.in[start:p.at])
	f, err := strconv.ParseFloat(raw, 64)
	if err != nil || math.IsInf(f, 0) || math.IsNaN(f) {
		return Value{}, &Error{Offset: start, Detail: "a number is too large"}
	}
	return Value{Kind: Number, Num: f, Raw: raw}, nil
}

func (p *parser) str() (string, error) {
	p.at++ // the opening quote
	start := p.at
	var out []byte // nil until the first escape: most strings have none
	for p.at < len(p.in) {
		c := p.in[p.at]
		switch {
		case c == '"':
			s := p.in[start:p.at]
			p.at++
			if out == nil {
				return string(s), nil
			}
			return string(append(out, s...)), nil
		case c == '\\':
			out = append(out, p.in[start:p.at]...)
			if out == nil {
				out = make([]byte, 0, 16)
			}
			r, err := p.escape()
			if err != nil {
				return "", err
			}
			out = utf8.AppendRune(out, r)
			start = p.at
		case c < 0x20:
			return "", p.fail("a string holds a bare control character")
		case c < utf8.RuneSelf:
			p.at++
		default:
			r, n := utf8.DecodeRune(p.in[p.at:])
			if r == utf8.RuneError && n == 1 {
				return "", p.fail("a string is not valid UTF-8")
			}
			p.at += n
		}
	}
	return "", p.fail("a string does not end")
}

// escape reads one escape, both halves of a surrogate pair included.
func (p *parser) escape() (rune, error) {
	start := p.at
	p.at++
	if p.at >= len(p.in) {
		return 0, p.fail("a string does not end")
	}
	c := p.in[p.at]
	p.at++
	switch c {
	case '"', '\\', '/':
		return rune(c), nil
	case 'b':
		return '\b', nil
	case 'f':
		return '\f', nil
	case 'n':
		return '\n', nil
	case 'r':
		return '\r', nil
	case 't':
		return '\t', nil
	case 'u':
		hi, ok := p.hex4()
		if !ok {
			return 0, &Error{Offset: start, Detail: "a \\u escape wants four hexadecimal digits"}
		}
		if hi < 0xD800 || hi > 0xDFFF {
			return hi, nil
		}
		if hi < 0xDC00 && p.take('\\') && p.take('u') {
			if lo, ok := p.hex4(); ok && lo >= 0xDC00 && lo <= 0xDFFF {
				return (hi-0xD800)<<10 + (lo - 0xDC00) + 0x10000, nil
			}
		}
		return 0, &Error{Offset: start, Detail: "a string holds half a surrogate pair"}
	}
	return 0, &Error{Offset: start, Detail: "a string holds an unknown escape"}
}

func (p *parser) hex4() (rune, bool) {
	if len(p.in)-p.at < 4 {
		return 0, false
	}
	var r rune
	for _, c := range p.in[p.at : p.at+4] {
		switch {
		case c >= '0' && c <= '9':
			r = r<<4 | rune(c-'0')
		case c >= 'a' && c <= 'f':
			r = r<<4 | rune(c-'a'+10)
		case c >= 'A' && c <= 'F':
			r = r<<4 | rune(c-'A'+10)
		default:
			return 0, false
		}
	}
	p.at += 4
	return r, true
}
