"""Check the table against a tree: everything placed, sizes, rooms, circles, arrows, lightness."""
import ast, sys, collections
from pathlib import Path
from table import MODULES, SPLITS, FACES
root=Path(sys.argv[1])/'geoqa'
def mn(p):
    n='.'.join(p.relative_to(root).with_suffix('').parts)
    return n.removesuffix('.__init__') if n!='__init__' else ''
mods={mn(p):p for p in sorted(root.rglob('*.py'))}
to={o:n for n,os in MODULES.items() for o in os}
faces={m for m,p in mods.items() if p.name=='__init__.py'}
missing=[m for m in mods if m not in to and m not in faces]
gone=[o for o in to if o not in mods and o not in set(SPLITS.values())|set(FACES.values())]
print('unplaced:',missing,'unknown:',gone)
lines=collections.Counter(); g=collections.defaultdict(set)
def target(m,a=None):
    if (m,a) in SPLITS: return to[SPLITS[(m,a)]]
    if m in FACES: return to[FACES[m]]
    return to.get(m,m)
for m,p in mods.items():
    src=p.read_text(); t=ast.parse(src)
    new=target(m)
    lines[new]+=len(src.splitlines())
    for node in ast.walk(t):
        if isinstance(node,ast.ImportFrom) and (node.module or '').split('.')[0]=='geoqa':
            b=node.module.removeprefix('geoqa').lstrip('.')
            for a in node.names:
                f=(b+'.'+a.name).lstrip('.')
                x=target(f) if f in mods else target(b,a.name)
                if x!=new: g[new].add(x)
import itertools
def sccs(g,nodes):
    idx={};low={};st=[];on=set();out=[];c=itertools.count()
    sys.setrecursionlimit(10000)
    def v(n):
        idx[n]=low[n]=next(c);st.append(n);on.add(n)
        for w in g.get(n,()):
            if w not in idx: v(w);low[n]=min(low[n],low[w])
            elif w in on: low[n]=min(low[n],idx[w])
        if low[n]==idx[n]:
            s=[]
            while True:
                w=st.pop();on.discard(w);s.append(w)
                if w==n: break
            out.append(s)
    for n in nodes:
        if n not in idx: v(n)
    return out
nodes=list(lines)
for s in sccs(g,nodes):
    if len(s)>1:
        print('CIRCLE',s)
        for a in s: print('   ',a,'->',[b for b in g[a] if b in s])
room=lambda n:n.rsplit('.',1)[0] if '.' in n else '(geoqa)'
WING={'core','readers','analysis','outputs','reviews','demo','testing'}
rooms=collections.defaultdict(list)
for n in MODULES: rooms[room(n)].append(n)
rg=collections.defaultdict(set); why=collections.defaultdict(list)
for a in g:
    if a not in MODULES and a not in('testing','demo','') : continue
    for b in g[a]:
        ra,rb=(a if a in('testing','demo') else room(a)),(b if b in('testing','demo') else room(b))
        if ra!=rb: rg[ra].add(rb); why[ra,rb].append((a,b))
for s in sccs(rg,list(rooms)):
    if len(s)>1:
        print('ROOM CIRCLE',s)
        for a in s:
            for b in rg[a]:
                if b in s: print('   ',a,'->',b,why[a,b][:4])
for a in g:
    for b in g[a]:
        if b.rsplit('.',1)[-1].startswith('_') and b in MODULES and room(a)!=room(b): print('FOREIGN PRIVATE',a,b)
level={}
def lev(r):
    if r not in level: level[r]=0; level[r]=1+max([lev(x) for x in rg[r]],default=0)
    return level[r]
for r in rooms: lev(r)
ms=sorted(lines[n] for n in MODULES)
print(len(MODULES),'modules',len(rooms),'rooms; median',ms[len(ms)//2],'largest',[(n,lines[n]) for n in sorted(MODULES,key=lambda n:-lines[n])[:12]])
for r in sorted(rooms,key=lambda r:(level[r],r)):
    print(f"{level[r]:2d} {r:28s}{len(rooms[r]):3d} {sum(lines[n] for n in rooms[r]):6d}  "+', '.join(f"{n.rsplit('.',1)[-1]} {lines[n]}" for n in rooms[r]))
    print('       ->',', '.join(sorted(rg[r])))
