#!/usr/bin/env bash
# Verifies a ledger by audit/FORMAT.md with git, ssh-keygen, sha256sum and jq. It shares no code with the tool and stops
# at the first bad item. Usage: verify.sh LEDGER [CHECKPOINT [ROOT]]; LEDGER is a bundle or a repository; "" leaves out.
set -u; export LC_ALL=C TZ=UTC GIT_CONFIG_NOSYSTEM=1 GIT_CONFIG_GLOBAL=/dev/null GIT_NO_REPLACE_OBJECTS=1
ledger=$(realpath "$1") since=${2:-} want_root=${3:-}; [ -z "$since" ] || since=$(realpath "$since")
w=$(mktemp -d); trap 'rm -rf "$w"' EXIT
bad() { echo "bad: $*"; exit 1; }
git clone -q --mirror "$ledger" "$w/g" 2>"$w/err" || bad "cannot be read: $(cat "$w/err")"
cd "$w" || exit 2; export GIT_DIR=$w/g
git fsck --strict --no-dangling >err 2>&1 || bad "fsck: $(head -1 err)"
id='[a-z][a-z0-9-]{0,39}' run="$id-[0-9]{8}-[a-z2-7]{4}" hex='[0-9a-f]{64}'
git for-each-ref --format='%(objectname) %(refname)' >refs
grep -vE "^[0-9a-f]{40} refs/heads/(main|runs/$run|editions/$id)\$" refs | grep -q ' refs/heads/' && bad "unknown branch"
git rev-parse -q --verify refs/heads/main >/dev/null || bad "no main"
# sha of every file below the current folder, as "hex  path", sorted by path
sums() { find . -type f | sed 's|^\./||' | sort | xargs -r sha256sum; }
sha() { sha256sum | cut -d' ' -f1; }
# --- every commit: header, last line, dates, signature by the newest list of keys
git show refs/heads/main:allowed_signers >allowed || bad "no allowed_signers"
git rev-list --all | git cat-file --batch | awk '
  /^[0-9a-f]* commit [0-9]+$/ && length($1) == 40 { if (h) print h, keys, zone, last; h = $1; keys = ""; zone = 0; head = 1; next }
  head && /^$/ { head = 0; next } head && /^ / { next }
  head { keys = keys $1 ","; if (/^(author|committer) .* \+0000$/) zone++; next } /./ { last = $0 } END { print h, keys, zone, last }' >heads
while read -r h keys zone last; do
  [[ $keys =~ ^tree,(parent,)*author,committer,gpgsig,$ && $zone = 2 ]] || bad "commit $h: header"
  [[ $last =~ ^(Record|Tree|Manifest):\ sha256:$hex$ ]] || bad "commit $h: trailer"
  trailer[0]=; declare "T_$h=$last"
done <heads
git -c gpg.ssh.allowedSignersFile="$w/allowed" log --all --format='%H|%P|%an|%ae|%at|%cn|%ce|%ct|%G?|%GS|%GF' >commits 2>err
declare -A par aut com date key
while IFS='|' read -r h p an ae at cn ce ct ok who fp; do
  [ "$ok" = G ] || bad "commit $h: signature"
  [ "$who" = "$cn" ] && [ "$at" = "$ct" ] || bad "commit $h: committer or date"
  par[$h]=$p aut[$h]=$an com[$h]=$cn date[$h]=$ct key[$h]=$fp mail[0]=; declare "A_$h=$ae" "C_$h=$ce"
done <commits
# --- main: one line, trailer over all files, what may change, list of keys
mains=$(git rev-list --first-parent --reverse refs/heads/main); i=0; declare -A at
bench=$(git ls-tree --name-only "${mains%%$'\n'*}:documents/bench") || bad "no bench document"
for h in $mains; do mkdir -p "m/$i"; git archive "$h" | tar x -C "m/$i"; i=$((i + 1)); done
(cd m && sums) | awk '{ p = $2; sub("/.*", "", p); sub("^[^/]*/", "", $2); print $1 "  " $2 >("list." p) }'; i=0
for h in $mains; do
  m=m/$i; at[$h]=$i; set -- ${par[$h]}
  [ $# = $((i > 0)) ] || bad "main $h: parents"
  v=T_$h; [ "${!v}" = "Tree: sha256:$(sha <"list.$i")" ] || bad "main $h: trailer"
  grep -qvE "  (README\.md|allowed_signers|schemas/[^ ]+|documents/[a-z_]+/$id/[0-9A-Za-z.+-]+\.(yaml|json)|register/($run/(opened|head|(closed|reopened)-[0-9]+)|(complaints|recovered)/[0-9]{6}|editions/$id)\.json|register/checkpoints/$hex\.(txt|sig))\$" "list.$i" && bad "main $h: file"
  sed -E 's/,valid-before="[0-9]{14}Z"//' "$m/allowed_signers" >"bare.$i"
  grep -qvE "^$id namespaces=\"git,checkpoint@tapledger\" ssh-ed25519 [A-Za-z0-9+/]+=*\$" "bare.$i" && bad "main $h: allowed_signers"
  k=$((i > 0 ? i - 1 : 0)); if [ $i -gt 0 ] && cmp -s "m/$k/allowed_signers" "$m/allowed_signers"; then cp "keys.$k" "keys.$i"; else
    awk '{ print $(NF-1), $NF }' "$m/allowed_signers" >pub; ssh-keygen -lf pub | awk '{ print $2 }' |
    paste -d' ' - <(awk '{ print $1, ($2 ~ /valid-before/ ? "ended" : "live") }' "$m/allowed_signers") >"keys.$i"; fi
  who=$(awk -v f="${key[$h]}" '$1 == f { print $2, $3 }' "keys.$k")
  [ "$who" = "${com[$h]} live" ] || bad "main $h: key not in the list before it"
  [ "${aut[$h]}" = "${com[$h]}" ] || { [ "${com[$h]}" = bench ] && grep -q " ${aut[$h]} live\$" "keys.$k"; } || bad "main $h: author"
  if [ $i -gt 0 ]; then
    [ "${date[$h]}" -ge "${date[$last]}" ] || bad "main $h: dated before its parent"
    comm -23 <(sort "list.$k") <(sort "list.$i") | cut -c67- | while read -r f; do
      [ -e "$m/$f" ] && [[ $f =~ ^(README\.md|allowed_signers|schemas/.*|register/.*/head\.json)$ ]] || { echo "main $h: $f changed or gone"; }
    done >err; [ -s err ] && bad "$(cat err)"
    cmp -s "m/$k/allowed_signers" "$m/allowed_signers" || {
      [ "${com[$h]}" != bench ] && head -n "$(wc -l <"bare.$k")" "bare.$i" | cmp -s - "bare.$k" || bad "main $h: list of keys"
      grep valid-before "m/$k/allowed_signers" | while read -r l; do grep -qxF "$l" "$m/allowed_signers" || echo x; done | grep -q x && bad "main $h: an end taken back"; }
  fi
  last=$h i=$((i + 1))
done
n=$((i - 1)) newest=$last; for h in ${!par[*]}; do a=A_$h c=C_$h
  [ "${!a} ${!c}" = "${aut[$h]}@$bench.invalid ${com[$h]}@$bench.invalid" ] || bad "commit $h: author or committer"; done
[ -z "$want_root" ] || [ "${key[${mains%%$'\n'*}]}" = "$want_root" ] || bad "another root"
jq -se 'all(.[]; .simulated == "yes" or .simulated == "no")' m/*/documents/bench/*/*.json >/dev/null || bad "bench document"
# --- records into r/<run>/<seq>, all canonical and well formed
declare -A commit len seqof hash blob
while read -r h ref; do x=${ref#refs/heads/runs/}; mkdir -p "r/$x"; s=0; up=
  for c in $(git rev-list --first-parent --reverse "$h" ^refs/heads/main); do s=$((s + 1)); printf -v f '%06d' $s
    git ls-tree -r "$c" >tree; b=$(awk '$4 == "record.json" { print $3 }' tree); git cat-file blob "$b" >"r/$x/$f" || bad "$x $s: no record"
    blob[$x/$s]=$b; commit[$x/$s]=$c seqof[$c]=$x/$s; [ -z "$up" ] || [ "${par[$c]}" = "$up" ] || bad "$x $s: parents"; up=$c
    grep -v '	record.json$' tree >"r/$x.sheet.$s"; done; len[$x]=$s
done < <(grep ' refs/heads/runs/' refs)
ls m/*/register/*/*.json r/*/* 2>/dev/null >files; xargs cat <files >all; xargs jq -cS . <files >canon 2>err || bad "JSON: $(cat err)"
cmp -s all canon || bad "a record or register file is not canonical"
jq -se 'all(.[] | ..; (type | IN("object", "array", "string", "number")) and (if type == "number" then . == floor and . >= 0 and . <= 9007199254740991
  elif type == "string" then all(explode[]; . == 10 or (. >= 32 and (. < 127 or . > 159))) elif type == "object" then all(keys[]; test("^[a-z][a-z0-9_]*$")) else true end))' all >/dev/null || bad "a value that may not stand in JSON here"
ls r/*/* >files; xargs jq -r 'if keys == ["body","by","clock","format","kind","made","main","prev","run","seq","via"] and .format == "record/1" and (.body.format | test("^body/[1-9][0-9]*$"))
  and (.clock | IN("wall","behind","simulated")) and (.via | IN("key","page")) and (.made | test("^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9:]{8}\\.[0-9]{3}Z$")) and (.kind | test("^[a-z][a-z_]*$")) and (.by | test("^[a-z][a-z0-9-]*$"))
  then [input_filename, .run, .seq, .prev, .kind, .made, (.made[0:19] + "Z" | fromdate), .by, .via, .main] | map(tostring) | join(" ") else error("record") end' <files >recs 2>err || bad "a record: $(cat err)"
while read -r s f; do hash[$f]=sha256:$s; done < <(xargs sha256sum <files)
cat /dev/null m/*/register/*-[0-9]*/*.json | jq -r .format | grep -qvx register/1 && bad "a register file has an unknown format"
# --- register: what main names, by run and place
declare -A head opened closed reopened never
while read -r f how s rec; do IFS=/ read -r _ p _ x name <<<"$f"
  case $name in head.json) head[$x/$p]=$s; names+=("$x $s $rec");; opened.json) [ "${opened[$x]:-$p}" -lt "$p" ] || opened[$x]=$p;;
    closed-*) k=${name//[^0-9]/}; closed[$x/$k]="$s $how"; [ "$how" = never_started ] && never[$x]=1 || names+=("$x $s $rec");;
    reopened-*) k=${name//[^0-9]/}; [ "${reopened[$x/$k]:-$p}" -lt "$p" ] || reopened[$x/$k]=$p;; esac
done < <(ls m/*/register/*-[0-9]*/*.json 2>/dev/null | xargs -r jq -r '[input_filename, .how // "-", (.seq // 0 | tostring), .record // "-"] | join(" ")')
for x in ${!opened[*]}; do [ -n "${len[$x]:-}${never[$x]:-}" ] || bad "run $x is gone"; done
pinned() { local f; [ "${len[$1]:-0}" -ge "$2" ] && { printf -v f '%06d' "$2"; [ "$2" = 0 ] || [ "${hash[r/$1/$f]}" = "$3" ]; } || bad "$4 names record $2 of $1"; }
for l in "${names[@]}"; do set -- $l; pinned "$1" "$2" "$3" main; done
# --- every record
x=; while read -r f rn s prev kind made sec by via mainc; do r=${f#r/}; r=${r%/*}
  [ "$r" = "$x" ] || { x=$r e=1 was=sha256:$(printf '%064d' 0) old= place=0 shut=0 nc=0 nr=0; [ -n "${opened[$x]:-}" ] || bad "run $x is not registered"; }
  c=${commit[$x/$e]} p=${at[$mainc]:-}; [ "$rn $s $prev" = "$x $e $was" ] || bad "$x $e: run, seq or prev"; [ -n "$p" ] || bad "$x $e: unknown main"
  [[ $made > $old ]] && [ "$sec" = "${date[$c]}" ] || bad "$x $e: made"; v=T_$c; [ "${!v}" = "Record: ${hash[$f]}" ] || bad "$x $e: trailer"
  [ "$p" -ge "$place" ] && { [ $e -gt 1 ] || { [ "${par[$c]}" = "$mainc" ] && [ "${opened[$x]}" -le "$p" ]; }; } || bad "$x $e: main"
  [ "$(awk -v f="${key[$c]}" '$1 == f { print $2, $3 }' "keys.$p")" = "${com[$c]} live" ] || bad "$x $e: key not in the list"
  [ "${aut[$c]}" = "$by" ] || bad "$x $e: author"; [ $via = key ] && [ "${com[$c]}" = "$by" ] || { [ "$via ${com[$c]}" = "page bench" ] && grep -q " $by live\$" "keys.$p"; } || bad "$x $e: not signed by $by"
  [ "$p" = "$n" ] || [ "$e" -le "${head[$x/$((p + 1))]:-0}" ] || bad "$x $e: above the head that the next main names"
  [[ $kind = opened ]] && o=1 || o=0; [ $o = $((e == 1)) ] || bad "$x $e: opened"
  if [ $shut = 1 ] && ! [[ $kind =~ ^(report|note|complaint|removed|second_person|recovered|reopened)$ ]]; then bad "$x $e: after closing"; fi
  if [ "$kind" = reopened ]; then nr=$((nr + 1)); [ $shut = 1 ] && [ "${reopened[$x/$nr]:-999999}" -le "$p" ] || bad "$x $e: reopened"; shut=0; fi
  sheet=r/$x.sheet.$e; if [[ $kind =~ ^(closed|abandoned)$ ]]; then shut=1 nc=$((nc + 1)); g=${closed[$x/$nc]:-}
    [ -z "$g" ] && [ $e = "${len[$x]}" ] || [ "$g" = "$e $kind" ] || bad "$x $e: register says $g"
    for k in $(seq $e); do printf '100644 blob %s\trecords/%06d.json\n' "${blob[$x/$k]}" "$k"; done | cmp -s - "$sheet" || bad "$x $e: sheet of records"
  else [ ! -s "$sheet" ] || bad "$x $e: extra file"; fi
  was=${hash[$f]} old=$made place=$p e=$((e + 1))
done <recs
# --- editions, then checkpoints
for f in "m/$n"/register/editions/*.json; do [ ! -e "$f" ] || [ "$(git rev-parse -q --verify "refs/heads/editions/$(jq -r .edition "$f")")" = "$(jq -r .commit "$f")" ] || bad "$f: edition gone"; done
while read -r h ref; do d=e/${ref##*/}; mkdir -p "$d"; git archive "$h" | tar x -C "$d"; v=T_$h; set -- ${par[$h]}; p=${at[${1:-}]:-}; [ -n "$p" ] || bad "$ref: main"; shift
  [ "${!v}" = "Manifest: sha256:$(sha <"$d/manifest.json")" ] || bad "$ref: trailer"
  (cd "$d" && sums) | grep -v '  manifest.json$' | cmp -s - <(jq -r '.files[] | "\(.sha256[7:])  \(.path)"' "$d/manifest.json") || bad "$ref: files"
  [ "$(awk -v f="${key[$h]}" '$1 == f { print $2, $3 }' "keys.$p")" = "${com[$h]} live" ] || bad "$ref: key"
  for x in $(printf '%s\n' ${!opened[*]} | sort); do [ "${opened[$x]}" -le "$p" ] && [ -n "${len[$x]:-}" ] || continue
    k=${seqof[${1:-}]:-}; [ "${k%/*}" = "$x" ] && [ "${k#*/}" -ge "${head[$x/$p]:-0}" ] || bad "$ref: head of $x"; shift; done; [ $# = 0 ] || bad "$ref: parents"
  for f in "$d"/evidence/*/records/*.json; do [ -e "$f" ] || continue; x=${f#"$d/evidence/"}; s=${f##*/}; cmp -s "$f" "r/${x%%/*}/${s%.json}" || bad "$ref: $f"; done
done < <(grep ' refs/heads/editions/' refs)
mkdir h; while read -r f; do k=h/${f//\//_}; jq -jr .body.checkpoint "$f" >"$k.txt"; jq -jr .body.signature "$f" >"$k.sig"
  for l in "$(jq -r '"run \(.run) \(.seq - 1) \(.prev)"' "$f")" "$(jq -r '"main " + .main' "$f")"; do grep -qxF "$l" "$k.txt" || bad "$f: its checkpoint lacks $l"; done; done < <(xargs jq -r 'select(.kind == "hand_over") | input_filename' <files)
for f in ${since:+"$since"} "m/$n"/register/checkpoints/*.txt h/*.txt; do [ -e "$f" ] || continue
  sed '/^-----BEGIN/,$d' "$f" >text; if [ "$f" = "$since" ]; then sed -n '/^-----BEGIN/,$p' "$f" >sig; else cp "${f%.txt}.sig" sig; fi
  who=$(ssh-keygen -Y find-principals -s sig -f allowed 2>err) && ssh-keygen -Y verify -f allowed -I "$who" -n checkpoint@tapledger -s sig <text >/dev/null 2>&1 || bad "$f: signature"
  c=$(sed -n 's/^main //p' text); [ -n "${at[$c]:-}" ] || bad "$f: main is gone"; while read -r _ x s h; do pinned "$x" "$s" "$h" "$f"; done < <(grep '^run ' text)
done
echo "good: $((n + 1)) commits on main, $(wc -l <recs) records, newest main $newest"
