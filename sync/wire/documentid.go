package wire

import (
	"crypto/sha256"
	"math/big"
	"strings"
)

const base58 = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"

// longest text of 20 bytes in base 58
const maxDocumentID = 28

var radix = big.NewInt(58)

// DocumentID writes 16 bytes as automerge-repo names documents: base 58 of the
// bytes and the first four of their double SHA-256.
func DocumentID(id [16]byte) string {
	sum := checksum(id[:])
	return encode58(append(id[:], sum[:]...))
}

// ParseDocumentID reads what DocumentID writes.
func ParseDocumentID(s string) ([16]byte, error) {
	var id [16]byte
	b, ok := decode58(s)
	if !ok {
		return id, fail(CodeValue, "documentId", "not base 58 of 20 bytes")
	}
	copy(id[:], b)
	if sum := checksum(id[:]); string(sum[:]) != string(b[16:]) {
		return [16]byte{}, fail(CodeValue, "documentId", "check digits do not fit")
	}
	return id, nil
}

func checksum(b []byte) [4]byte {
	once := sha256.Sum256(b)
	twice := sha256.Sum256(once[:])
	return [4]byte(twice[:4])
}

// encode58 writes every leading zero byte as "1", then the number.
func encode58(b []byte) string {
	var digits []byte
	for n, rem := new(big.Int).SetBytes(b), new(big.Int); n.Sign() > 0; {
		n.DivMod(n, radix, rem)
		digits = append(digits, base58[rem.Int64()])
	}
	for _, c := range b {
		if c != 0 {
			break
		}
		digits = append(digits, base58[0])
	}
	for i, j := 0, len(digits)-1; i < j; i, j = i+1, j-1 {
		digits[i], digits[j] = digits[j], digits[i]
	}
	return string(digits)
}

// decode58 gives exactly 20 bytes or nothing.
func decode58(s string) ([]byte, bool) {
	if s == "" || len(s) > maxDocumentID {
		return nil, false
	}
	n := new(big.Int)
	for i := 0; i < len(s); i++ {
		d := strings.IndexByte(base58, s[i])
		if d < 0 {
			return nil, false
		}
		n.Add(n.Mul(n, radix), big.NewInt(int64(d)))
	}
	if n.BitLen() > 160 {
		return nil, false
	}
	b := n.FillBytes(make([]byte, 20))
	return b, encode58(b) == s
}
